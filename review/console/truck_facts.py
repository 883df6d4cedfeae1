"""What the page of a truck says of it, line by line: pure, from the truck as the board has it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from models.due import Due
from models.due_words import words_of
from models.statement import Statement
from models.units import KM_PER_MILE, Units
from review.account_bands import band_names, hours_by_band
from review.board_row import Signals, TruckLive


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """One figure: what it is, what it reads, and what is to be known about it."""

    about: str
    text: str
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Used:
    """How much of something is used [-], in words too; a band where it has one."""

    about: str
    share: float
    text: str
    low: float | None = None
    high: float | None = None


def signal_facts(truck: TruckLive, units: Units) -> tuple[Fact, ...]:
    """Say what the truck showed at its newest sample; what it did not send is left out."""
    return () if truck.signals is None else tuple(_signals(truck.signals, units))


def _signals(now: Signals, units: Units) -> Iterator[Fact]:
    temperatures = (
        ("Fluid", now.fluid_c),
        ("Line to the cooler", now.line_out_c),
        ("Line back", now.line_return_c),
        ("Outside air", now.air_c),
        ("Engine coolant", now.coolant_c),
    )
    for about, celsius in temperatures:
        if celsius is not None:
            yield Fact(about=about, text=units.degrees(celsius))
    if now.speed_km_h is not None:
        yield Fact(about="Speed", text=speed(now.speed_km_h, units))
    if now.rpm is not None:
        yield Fact(about="Engine", text=f"{now.rpm:,.0f} rpm")
    if now.torque_nm is not None:
        share = now.torque_nm / now.rated_torque_nm
        yield Fact(
            about="Load",
            text=f"{max(0.0, share):.0%}",
            note=f"{now.torque_nm:,.0f} N·m".replace("-", "−"),
        )
    if now.gear is not None:
        yield Fact(about="Gear", text=_gear(now.gear))
    if now.lockup is not None:
        slip = "" if now.slip_rpm is None else f"slips by {now.slip_rpm:,.0f} rpm"
        yield Fact(about="Lockup", text="on" if now.lockup else "off", note=slip)
    if now.trailer is not None:
        yield Fact(about="Trailer", text="yes" if now.trailer else "no")
    if now.heat_w is not None:
        yield Fact(about="Heat made", text=f"about {now.heat_w / 1000.0:.1f} kW")


def speed(km_h: float, units: Units) -> str:
    """Write a speed."""
    if units.distance == "mi":
        return f"{km_h / KM_PER_MILE:,.0f} mph"
    return f"{km_h:,.0f} km/h"


def _gear(gear: int) -> str:
    if gear == 0:
        return "Neutral or Park"
    return f"{gear}" if gear > 0 else "Reverse"


def account_facts(account: Statement, units: Units) -> tuple[Fact, ...]:
    """Say what the account of the fill comes to."""
    return tuple(_account(account, units))


def _account(account: Statement, units: Units) -> Iterator[Fact]:
    yield Fact(
        about="Aged like",
        text=f"{account.equivalent_hours:,.0f} h at the reference temperature",
        note=(
            f"measured; about {account.soak_equivalent_hours:,.1f} h more while parked hot and "
            f"{account.unseen_equivalent_hours:,.1f} h running unseen, both estimated"
        ),
    )
    if math.isfinite(account.mean_kinetic_temp_c):
        yield Fact(
            about="Mean kinetic temperature",
            text=units.degrees(account.mean_kinetic_temp_c),
            note=f"hottest {units.degrees(account.hottest_c)}, in {account.seen_hours:,.0f} h seen",
        )
    yield Fact(
        about="Distance on this fill",
        text=units.length(account.distance_km),
        note="" if account.odometer_read else "by speed alone: no odometer was read",
    )
    yield Fact(
        about="Unseen",
        text=f"{units.length(account.unseen_km)} and {account.unseen_hours:,.0f} h of running",
        note="driven while no data came: estimated from its habits, never counted as nothing",
    )
    yield Fact(
        about="Antioxidant left",
        text=f"{account.antioxidant_left:.0%}",
        note="of new fluid's, by the account",
    )


def life_used(account: Statement) -> Used:
    """Say how much of the fluid's life is used."""
    return Used(
        about="Life used",
        share=account.life_used,
        text=(
            f"{account.life_used:.0%} (8 in 10: {account.life_low:.0%} to {account.life_high:.0%})"
        ),
        low=account.life_low,
        high=account.life_high,
    )


def band_hours(account: Statement, units: Units) -> Sequence[tuple[str, float, float]]:
    """Give the hours in each band of temperature: its name, hours [h], share of all [-]."""
    hours = hours_by_band(account.bins)
    total = sum(hours)
    return [
        (name, each, each / total if total > 0.0 else 0.0)
        for name, each in zip(band_names(units), hours, strict=True)
    ]


def due_words(due: Due, units: Units) -> str:
    """Say when the service is due, and what is in doubt."""
    told = f"{words_of(due, units)}."
    if due.reason == "heat" and not due.overdue:
        return f"{told} That is when the best estimate gets there; how sure the account is comes on top."
    return told


def limits_used(due: Due, units: Units) -> tuple[Used, ...]:
    """Say how much of each limit of the service is used."""
    found = [
        Used(about="Heat", share=due.share_by_heat, text=f"{due.share_by_heat:.0%}"),
        Used(
            about="Distance",
            share=due.share_by_distance,
            text=(
                f"{due.share_by_distance:.0%}: {units.length(due.distance_km)} of "
                f"{units.length(due.distance_limit_km)}"
            ),
        ),
    ]
    if math.isfinite(due.share_by_age):
        days = f"{due.age_days:,.0f} of {due.age_limit_days:,.0f} days"
        found.append(
            Used(about="Age", share=due.share_by_age, text=f"{due.share_by_age:.0%}: {days}")
        )
    return tuple(found)
