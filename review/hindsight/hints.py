"""Whether an alarm was about something real: what happened to it and after it. Pure.

Nobody wrote down which alarms were right. What was done about them, and what came after them, are hints and
no more; they are named, so that whoever reads them can judge.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

from alerts.alarm import Event
from alerts.history import Happening
from alerts.ledger import Alarm
from ingest.record import Entry
from models.silence import KIND as SILENCE
from review.hindsight.matching import Matter

SOON_MS = 14 * 86_400_000
"""How long after an alarm what is done is held to have to do with it [ms]; own choice: a truck that is needed
is brought in within two weeks."""

FOUND_MS = 2 * 86_400_000
"""How long after heat a fault that is found explains it [ms]; own choice."""

WARNS_MS = 3_600_000
"""How long before the same is told as it is now an alarm would have been a warning of it [ms]; own choice."""

FAULTS = frozenset(
    {
        "bypass_stuck",
        "overcooled",
        "cooler_starved",
        "coolant_valve_stuck",
        "heat_rejection_low",
        "lockup_slip",
        "sensor_fault",
    }
)
"""Kinds that tell of something broken; heat, dates and silence alone do not."""

_FLUID = frozenset({"exchange", "pan_drop", "fluid_change", "gearbox"})
_REPAIR = frozenset({"circuit", "gearbox"})
_MENDS = {
    "over_temperature": _FLUID | {"circuit"},
    "service_due": _FLUID,
    "lockup_slip": _FLUID,
    SILENCE: frozenset[str](),
}
"""Which entries of the record are work on what an alarm is about; of faults not named here: the circuit."""


class Verdict(StrEnum):
    """What the hints come to."""

    REAL = "real"
    NOISE = "noise"
    OPEN = "open"


class Hint(StrEnum):
    """One thing that tells."""

    REPAIRED = "repaired"
    FAULT = "fault"
    SAME_CAME = "same_came"
    ACKNOWLEDGED = "acknowledged"
    WITHDRAWN = "withdrawn"
    SHELVED = "shelved"
    NOTHING = "nothing"
    TOO_SOON = "too_soon"


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """One hint, when it was [Unix ms] (None: no moment), and the entry, kind or name that it is about."""

    hint: Hint
    time_ms: int | None = None
    about: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Past:
    """What is known of a truck beside the runs: its record, its alarms and what happened to them.

    ``known_ms``: up to here it is known what came after [Unix ms].
    """

    entries: Sequence[Entry]
    alarms: Sequence[Alarm]
    happened: Sequence[Happening]
    known_ms: int


def hints(matter: Matter, others: Sequence[Matter], past: Past) -> tuple[Told, ...]:
    """Name what tells whether a matter was real; ``others``: the other matters of the truck."""
    found = (
        *_done(matter, past),
        *_faults(matter, past),
        *_same(matter, others),
        *_people(matter, past),
    )
    if found:
        return found
    end_ms = matter.last_ms
    if end_ms is None or (past.known_ms < end_ms + SOON_MS and (matter.raised or matter.as_is)):
        return (Told(hint=Hint.TOO_SOON),)
    return (Told(hint=Hint.NOTHING, time_ms=min(past.known_ms, end_ms + SOON_MS)),)


def verdict(told: Sequence[Told]) -> Verdict:
    """Say what the hints come to: a withdrawal speaks against all else, work and faults against a shelf."""
    named = {each.hint for each in told}
    if Hint.WITHDRAWN in named:
        return Verdict.NOISE
    if named & {Hint.REPAIRED, Hint.FAULT, Hint.SAME_CAME}:
        return Verdict.REAL
    if Hint.SHELVED in named:
        return Verdict.NOISE
    if Hint.ACKNOWLEDGED in named:
        return Verdict.REAL
    return Verdict.NOISE if Hint.NOTHING in named else Verdict.OPEN


def _done(matter: Matter, past: Past) -> Iterator[Told]:
    """Work on what it is about, soon after."""
    kinds = _MENDS.get(matter.kind, _REPAIR)
    last_ms = _latest_ms(matter) + SOON_MS
    for entry in past.entries:
        if entry.kind in kinds and matter.first_ms <= entry.time_ms <= last_ms:
            yield Told(hint=Hint.REPAIRED, time_ms=entry.time_ms, about=entry.kind)
            return


def _faults(matter: Matter, past: Past) -> Iterator[Told]:
    """Heat that a fault explains, found then or soon after."""
    if matter.kind != "over_temperature":
        return
    for alarm in past.alarms:
        near = matter.first_ms - WARNS_MS <= alarm.raised_ms <= _latest_ms(matter) + FOUND_MS
        if alarm.kind in FAULTS and not alarm.withdrawn and near:
            yield Told(hint=Hint.FAULT, time_ms=alarm.raised_ms, about=alarm.kind)
            return


def _same(matter: Matter, others: Sequence[Matter]) -> Iterator[Told]:
    """What would have come besides, and was followed by what comes as it is: a warning."""
    if matter.as_is or matter.raised:
        return
    last_ms = _latest_ms(matter) + WARNS_MS
    for each in others:
        first_ms = min((one.raised_ms for one in each.as_is), default=None)
        if each.kind != matter.kind or first_ms is None:
            continue
        if matter.first_ms < first_ms <= last_ms:
            yield Told(hint=Hint.SAME_CAME, time_ms=first_ms)
            return


def _people(matter: Matter, past: Past) -> Iterator[Told]:
    """What people, and later samples, made of the alarms that were raised."""
    own = {each.id for each in matter.raised}
    if matter.raised and all(each.withdrawn for each in matter.raised):
        yield Told(hint=Hint.WITHDRAWN)
    for each in past.happened:
        if each.alarm_id in own and each.event is Event.SHELVE:
            yield Told(hint=Hint.SHELVED, time_ms=each.time_ms, about=each.by)
            break
    for alarm in matter.raised:
        if alarm.acknowledged_ms is not None:
            by = alarm.acknowledged_by or ""
            yield Told(hint=Hint.ACKNOWLEDGED, time_ms=alarm.acknowledged_ms, about=by)
            break


def _latest_ms(matter: Matter) -> int:
    """When the last of it was over, or became as urgent as it got [Unix ms]."""
    runs = [each.cleared_ms or each.peak_ms for each in (*matter.as_is, *matter.other)]
    return max([*runs, *(each.cleared_ms or each.raised_ms for each in matter.raised)])
