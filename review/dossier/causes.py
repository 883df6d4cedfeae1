"""The causes of a departure, ranked, and the clues that speak for and against each."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.hypotheses import AIR, FLOW, HEALTHY, LOW, OPEN, SENSOR, SHUT, SLIP
from models.statement import Statement
from review.dossier.facts import Cause, Clue, Departure, Duty

FAST_KM_H, SLOW_KM_H = 75.0, 45.0
"""Road speeds from which air is plenty, and up to which it is scarce [km/h]; own choice."""

LEAST_NOTES = 5
"""Minutes that a clue rests on at least [-]; own choice."""

TELLS_K = 5.0
"""Difference in temperature that is a clue [K]; own choice: five steps of a sensor of whole degrees."""

LATELY_MS = 120_000
"""A moment counts for a clue where the circuit could be judged within this time before [ms]; own choice."""

ALIKE = 1.5
"""Heats made are alike up to this factor [-]; own choice: with unlike ones speed is not what differs."""

IDLE_KW = 1.0
"""Heat made up to which a stop is one in which nothing but the cooling tells [kW]; own choice."""

SLIPS_RPM = 60.0
"""Slip of a closed clutch that is one [1/min]; own choice, as from where it is found."""

_FAULTS = (SHUT, LOW, AIR, FLOW)


def causes(notes: NDArray[Any], found: Departure) -> tuple[Cause, ...]:
    """Rank what was weighed, by the last moment at which a fault was sure."""
    if found.cause < 0 or len(notes) == 0:
        return ()
    p = np.nan_to_num(notes["p"])
    spans_h = (
        np.minimum(np.diff(notes["time_ms"], append=notes["time_ms"][-1:]), 60_000) / 3.6e6
    )
    likeliest = p.argmax(axis=1)
    made = [
        Cause(
            place=place,
            last=found.at_last[place],
            first=found.at_first[place],
            highest=float(p[:, place].max()),
            likeliest_h=float(spans_h[likeliest == place].sum()),
        )
        for place in range(p.shape[1])
        if p[:, place].max() > 0.0
    ]
    return tuple(sorted(made, key=lambda cause: (-cause.last, -cause.highest, cause.place)))


def clues(
    notes: NDArray[Any], found: Departure | None, account: Statement, duty: Duty
) -> tuple[Clue, ...]:
    """Give what was seen; ``notes`` from the last trust to the last certainty."""
    if found is None or found.cause < 0:
        return tuple(_of_the_sensor(account))
    away = notes[notes["time_ms"] >= found.doubted_ms]
    return (
        *_of_the_gap(away),
        *_of_the_share(notes, found),
        *_of_the_speed(away),
        *_of_the_stops(away),
        *_of_the_line(away),
        *_of_the_slip(away),
        *_of_the_duty(duty),
        *_of_the_sensor(account),
    )


def _of_the_gap(away: NDArray[Any]) -> Iterator[Clue]:
    """Where the fluid lay farthest from what a healthy circuit would have shown."""
    off_k = away["fluid_c"] - away["expected_c"]
    if not np.isfinite(off_k).any():
        return
    row = int(np.nanargmax(np.abs(off_k)))
    hot = off_k[row] > 0.0
    yield Clue(
        kind="hotter" if hot else "colder",
        numbers={
            "time_ms": float(away["time_ms"][row]),
            "fluid_c": float(away["fluid_c"][row]),
            "expected_c": float(away["expected_c"][row]),
            "expected_sd_k": float(away["expected_sd_k"][row]),
        },
        speaks_for=(*_FAULTS, SLIP, SENSOR) if hot else (OPEN, SENSOR),
        speaks_against=(HEALTHY, OPEN) if hot else (HEALTHY, *_FAULTS, SLIP),
    )


def _of_the_share(notes: NDArray[Any], found: Departure) -> Iterator[Clue]:
    """What the cooler carried of its own healthy share, at the last certainty."""
    row = int(np.searchsorted(notes["time_ms"], found.last_sure_ms))
    if row >= len(notes) or not math.isfinite(notes["share"][row]):
        return
    share, sd = float(notes["share"][row]), float(notes["share_sd"][row])
    if found.last_cause == OPEN:
        return
    none = share + 1.28 * sd < 0.1
    yield Clue(
        kind="share",
        numbers={"share": share, "share_sd": sd},
        speaks_for=(SHUT, FLOW)
        if none
        else ((LOW, AIR, FLOW) if share < 0.85 else (SLIP, HEALTHY)),
        speaks_against=(HEALTHY, SLIP, AIR)
        if none
        else ((HEALTHY, SHUT) if share < 0.85 else ()),
    )


def _of_the_speed(away: NDArray[Any]) -> Iterator[Clue]:
    """Whether more air helped."""
    off_k = away["fluid_c"] - away["expected_c"]
    told = np.isfinite(off_k) & (away["time_ms"] - away["judged_ms"] <= LATELY_MS)
    fast = told & (away["speed_km_h"] >= FAST_KM_H)
    slow = told & (away["speed_km_h"] > 5.0) & (away["speed_km_h"] <= SLOW_KM_H)
    if fast.sum() < LEAST_NOTES or slow.sum() < LEAST_NOTES:
        return
    heats = [float(np.median(away["heat_kw"][each])) for each in (fast, slow)]
    if not max(heats) <= ALIKE * min(heats):
        return
    numbers = {"fast_k": float(np.median(off_k[fast])), "slow_k": float(np.median(off_k[slow]))}
    helped = numbers["slow_k"] - numbers["fast_k"] > TELLS_K
    yield Clue(
        kind="air_helped" if helped else "air_no_help",
        numbers=numbers,
        speaks_for=(AIR,) if helped else (SHUT, FLOW, LOW),
        speaks_against=(SHUT, FLOW) if helped else (AIR,),
    )


def _of_the_stops(away: NDArray[Any]) -> Iterator[Clue]:
    """How fast the fluid fell while hardly any heat was made and the engine ran."""
    idle = (away["heat_kw"] <= IDLE_KW) & (away["speed_km_h"] < 5.0) & (away["rpm"] > 300.0)
    runs = np.split(np.flatnonzero(idle), np.flatnonzero(np.diff(np.flatnonzero(idle)) > 1) + 1)
    longest = max(runs, key=len)
    if len(longest) < LEAST_NOTES:
        return
    first, last = away[longest[0]], away[longest[-1]]
    minutes = float(last["time_ms"] - first["time_ms"]) / 60_000.0
    over_k = float(first["fluid_c"] - first["air_c"])
    if not over_k > 30.0 or not minutes > 0.0:
        return
    fell_k = float(first["fluid_c"] - last["fluid_c"])
    slow = fell_k < 0.25 * over_k * (1.0 - math.exp(-minutes / 8.0))
    yield Clue(
        kind="stop_slow" if slow else "stop_fast",
        numbers={"minutes": minutes, "from_c": float(first["fluid_c"]), "fell_k": fell_k},
        speaks_for=(SHUT, LOW, FLOW, AIR) if slow else (SLIP, HEALTHY),
        speaks_against=(HEALTHY, SLIP) if slow else (SHUT,),
    )


def _of_the_line(away: NDArray[Any]) -> Iterator[Clue]:
    """Whether the line to the cooler was hot, where its temperature is sent."""
    told = away[np.isfinite(away["line_out_c"]) & np.isfinite(away["fluid_c"])]
    if len(told) < LEAST_NOTES:
        return
    row = told[int(np.argmax(told["fluid_c"]))]
    cold = row["fluid_c"] - row["line_out_c"] > 3.0 * TELLS_K
    yield Clue(
        kind="line_cold" if cold else "line_hot",
        numbers={"line_c": float(row["line_out_c"]), "fluid_c": float(row["fluid_c"])},
        speaks_for=(SHUT,) if cold else (AIR, LOW, SLIP),
        speaks_against=(AIR, SLIP, HEALTHY) if cold else (SHUT,),
    )


def _of_the_slip(away: NDArray[Any]) -> Iterator[Clue]:
    """Whether the closed clutch slipped, where that is sent."""
    closed = away[(away["lockup"] > 0.5) & np.isfinite(away["slip_rpm"])]
    if len(closed) < LEAST_NOTES:
        return
    slip_rpm = float(np.median(np.abs(closed["slip_rpm"])))
    slips = slip_rpm > SLIPS_RPM
    yield Clue(
        kind="slips" if slips else "no_slip",
        numbers={"slip_rpm": slip_rpm},
        speaks_for=(SLIP,) if slips else (),
        speaks_against=() if slips else (SLIP,),
    )


def _of_the_duty(duty: Duty) -> Iterator[Clue]:
    """Whether the work alone would have made the fluid so hot."""
    if not (duty.cost_s > 0.0 and math.isfinite(duty.healthy_hottest_c)):
        return
    load = duty.healthy_hottest_c >= duty.hottest_c - 2.0 * TELLS_K
    yield Clue(
        kind="work_explains" if load else "work_does_not",
        numbers={
            "healthy_c": duty.healthy_hottest_c,
            "hottest_c": duty.hottest_c,
            "share": duty.share,
        },
        speaks_for=(HEALTHY,) if load else (),
        speaks_against=() if load else (HEALTHY,),
    )


def _of_the_sensor(account: Statement) -> Iterator[Clue]:
    """What cold nights said of the fluid's sensor."""
    if account.nights == 0 and account.faulty_nights == 0:
        return
    off = account.faulty_nights > 0
    yield Clue(
        kind="nights_off" if off else "nights_agree",
        numbers={
            "nights": float(account.nights),
            "faulty": float(account.faulty_nights),
            "offset_k": account.offset_k,
            "offset_sd_k": account.offset_sd_k,
        },
        speaks_for=(SENSOR,) if off else (),
        speaks_against=() if off else (SENSOR,),
    )
