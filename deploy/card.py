"""The card of one truck: its account with all that it rests on, for a program and for a person."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, fields
from typing import Any

from models.account import soak_until
from models.cold_running import ColdRunning, cold_running
from models.cold_running import words as cold_words
from models.due_words import words_of
from models.fleet import FITTINGS, Fluid
from models.interval import HELP
from models.statement import Statement
from models.units import Units
from review.account_bands import band_names, hours_by_band
from review.circuit_standing import circuit_lines
from review.measures import minute
from review.reading import Stored
from review.standing import Standing, life, standing_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Services:
    """What was done to the fill: times [Unix ms], distances driven since [km]; None: not known."""

    count: int
    pan_drops: int
    last_ms: int | None
    last_km_ago: float
    filter_ms: int | None
    filter_km_ago: float | None
    lab_samples: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """One truck with all that is known of its fluid.

    ``soak_hours_since`` [h at the reference temperature]: what it may have aged parked since the
    newest reading, not counted yet. ``hours_by_band``: measured time [h] of this fluid below each of
    ``review.account_bands.BAND_EDGES_C`` in turn, then above the last. ``fittings``: what the circuit has
    beside its cooler, as in the fleet file.
    """

    standing: Standing
    fluid: str
    reference_temp_c: float
    fluid_total_l: float
    circuit: str
    fittings: tuple[str, ...]
    cooler: str
    sensor: str
    services: Services
    hours_by_band: tuple[float, ...]
    soak_hours_since: float
    cold: ColdRunning | None


def card(truck: Stored, fluid: Fluid, now_ms: int) -> Card:
    """Write the card of a truck that has an account."""
    standing = standing_of(truck, now_ms)
    account, params = truck.account, truck.params.account
    return Card(
        standing=standing,
        fluid=fluid.name,
        reference_temp_c=fluid.reference_temp_c,
        fluid_total_l=truck.vehicle.fluid_total_l,
        circuit=truck.vehicle.circuit,
        fittings=tuple(name for name in FITTINGS if getattr(truck.vehicle, name)),
        cooler=truck.vehicle.cooler,
        sensor=truck.vehicle.sensor,
        services=_services(account, standing.account.distance_km),
        hours_by_band=hours_by_band(standing.account.bins),
        soak_hours_since=float(soak_until(params, account, now_ms)) / 3600.0,
        cold=cold_running(account.heat.bins_s, fluid),
    )


def _services(account: Any, distance_km: float) -> Services:
    fill = account.filling
    filter_ms = int(fill.filter_ms)
    return Services(
        count=int(fill.services),
        pan_drops=int(fill.pan_drops),
        last_ms=int(fill.service_ms) or None,
        last_km_ago=distance_km - float(fill.service_km),
        filter_ms=filter_ms or None,
        filter_km_ago=distance_km - float(fill.filter_km) if filter_ms else None,
        lab_samples=int(fill.lab_samples),
    )


def card_lines(found: Card, units: Units) -> Iterator[tuple[str, str]]:
    """Say a card to a person: what each line is about, and what it says."""
    standing = found.standing
    account = standing.account
    title = "" if standing.title == standing.vehicle else f", {standing.title}"
    title += "" if standing.registered else ", not in the fleet file"
    yield standing.vehicle, f"as of {minute(standing.last_ms, units.zone)}{title}"
    yield "Fluid", _fluid(found, units)
    yield "Life used", life(account)
    yield "Why so wide", _causes(account)
    yield "Antioxidant", _antioxidant(account)
    yield "Heat", _heat(found, units)
    yield "Parked", _parked(account, units)
    if account.seen_hours > 0.0:
        yield "Temperature", _temperature(account, units)
        yield "Time at it", _bands(found, units)
    yield "Cold running", " ".join(cold_words(found.cold, units))
    yield "Sensor", _sensor(account, units)
    yield from circuit_lines(standing.circuit, standing.last_ms, units)
    yield "Distance", _distance(account, units)
    yield "Services", _done(found.services, units)
    yield "Next service", _next(standing, units)


def _fluid(found: Card, units: Units) -> str:
    started_ms = found.standing.account.started_ms
    since = f", in since {units.day(started_ms)}" if started_ms else ""
    circuit = " with ".join((found.circuit, *found.fittings)).replace("_", " ")
    return (
        f"{found.fluid}, {units.amount(found.fluid_total_l)} in all{since}; "
        f"{circuit}, {found.cooler.replace('_', ' ')} cooler, "
        f"sensor in the {found.sensor.replace('_', ' ')}"
    )


def _causes(account: Statement) -> str:
    shares = {
        field.name: getattr(account.causes, field.name) for field in fields(account.causes)
    }
    parts = [
        f"{share:.0%} {HELP[name]}"
        for name, share in sorted(shares.items(), key=lambda pair: -pair[1])
        if share >= 0.05
    ]
    if not parts:
        return "nothing is used yet"
    return f"what is in doubt, and what would tighten it: {'; '.join(parts)}"


def _antioxidant(account: Statement) -> str:
    left = f"{account.antioxidant_left:.0%} left of new fluid's, by the account"
    if account.oxidation <= 0.0:
        return left
    return f"{left}: used up, the fluid oxidises faster since"


def _heat(found: Card, units: Units) -> str:
    account = found.standing.account
    at = units.degrees(found.reference_temp_c)
    parts = [f"aged as {account.equivalent_hours:,.0f} h at {at} would, by what was measured"]
    parts.append(f"{account.soak_equivalent_hours:,.1f} h parked while hot (estimated)")
    parts.append(f"{account.unseen_equivalent_hours:,.1f} h running unseen (estimated)")
    since = ""
    if found.soak_hours_since >= 0.05:
        since = (
            f"; parked since the newest reading, perhaps {found.soak_hours_since:,.1f} h more"
        )
    return f"{', '.join(parts)}{since}"


def _parked(account: Statement, units: Units) -> str:
    told = f"{account.parked_hours:,.0f} h; what the fluid aged while it cooled is an estimate"
    if account.soak_checks == 0:
        return f"{told}, not checked yet: a start while it is still warm tells"
    off = units.difference(abs(account.soak_off_k))
    way = "cooler" if account.soak_off_k >= 0.0 else "warmer"
    starts = "1 start" if account.soak_checks == 1 else f"{account.soak_checks:,} starts"
    found = f"{told}, checked at {starts}: on average the fluid was {off} {way} than expected"
    if account.soak_checks > 1:
        found += f", give or take {units.difference(account.soak_off_sd_k)}"
    return found


def _temperature(account: Statement, units: Units) -> str:
    return (
        f"mean kinetic {units.degrees(account.mean_kinetic_temp_c)}, hottest "
        f"{units.degrees(account.hottest_c)}, in {account.seen_hours:,.0f} h seen"
    )


def _bands(found: Card, units: Units) -> str:
    names = band_names(units)
    hours = [f"{each:,.0f} h" for each in found.hours_by_band]
    told = ", ".join(f"{name} {each}" for name, each in zip(names, hours, strict=True))
    if found.services.pan_drops:
        told += "; as the fluid now in the gearbox saw it: what a pan drop let out took its hours along"
    return told


def _sensor(account: Statement, units: Units) -> str:
    if account.nights == 0:
        checked = (
            f"not checked yet, may be off by {units.difference(account.offset_sd_k)}; a cold night "
            "parked tells"
        )
    else:
        off, sd = units.difference(abs(account.offset_k)), units.difference(account.offset_sd_k)
        nights = "1 night" if account.nights == 1 else f"{account.nights:,} nights"
        found = f"too {'high' if account.offset_k >= 0.0 else 'low'} by {off}"
        if abs(account.offset_k) <= account.offset_sd_k:
            found = "right, as far as can be told"
        checked = (
            f"reads {found}, give or take {sd}, by {nights} parked cold; that is in the interval, "
            "not in the best estimate"
        )
    if account.faulty_nights:
        checked += (
            f". On {account.faulty_nights} nights it was off too far to be believed: examine it"
        )
    return checked


def _distance(account: Statement, units: Units) -> str:
    seen = (
        f"{units.length(account.distance_km)} on this fill, {units.length(account.unseen_km)} of "
        f"them unseen; {account.unseen_hours:,.0f} h of running unseen"
    )
    return "; ".join([seen, *_odometer(account, units)])


def _odometer(account: Statement, units: Units) -> Iterator[str]:
    """Say what was out of the way with the counter; nothing of one that counts as it should."""
    if not account.odometer_read:
        yield "no odometer was read, so distance is by speed alone"
    if account.odometer_breaks:
        last = units.day(account.odometer_break_ms)
        yield f"the odometer went on from another value {_times(account.odometer_breaks)}, last {last}"
    if account.odometer_blind_breaks:
        yield (
            f"over {account.odometer_blind_breaks} of these no speed told how far the truck went: "
            "that distance is missing"
        )
    for count, what in (
        (account.odometer_rollovers, "the odometer rolled over"),
        (account.odometer_stuck, "the odometer stood still while the truck drove"),
    ):
        if count:
            yield f"{what} {_times(count)}"
    if account.odometer_wild:
        readings = (
            "1 reading" if account.odometer_wild == 1 else f"{account.odometer_wild:,} readings"
        )
        yield f"{readings} of the odometer not believed"


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count:,} times"


def _done(services: Services, units: Units) -> str:
    if services.count == 0:
        last = "none is recorded"
    else:
        when = "" if services.last_ms is None else f", the last {units.day(services.last_ms)}"
        last = (
            f"{services.count}{when}, {units.length(services.last_km_ago)} ago; pan drops on this "
            f"fill: {services.pan_drops}"
        )
    if services.filter_ms is not None and services.filter_km_ago is not None:
        last += (
            f"; filter {units.day(services.filter_ms)}, "
            f"{units.length(services.filter_km_ago)} ago"
        )
    return f"{last}; laboratory samples: {services.lab_samples}"


def _next(standing: Standing, units: Units) -> str:
    due = standing.due
    way = f"{units.length(due.distance_km)} of {units.length(due.distance_limit_km)}"
    used = [f"heat {due.share_by_heat:.0%}", f"distance {due.share_by_distance:.0%} ({way})"]
    if not math.isnan(due.share_by_age):
        days = f"{due.age_days:,.0f} of {due.age_limit_days:,.0f} days"
        used.append(f"age {due.share_by_age:.0%} ({days})")
    doubt = ""
    if due.reason == "heat":
        doubt = (
            ". That is when the best estimate gets there; how sure the account is comes on top"
        )
    return f"{words_of(due, units)}{doubt}. Used of each limit: {', '.join(used)}"
