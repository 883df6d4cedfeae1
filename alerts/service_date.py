"""The daily review of service dates: what no sample says, told once.

Three things come with time alone. A forecast date moves: who was told of the service is told the new
date. The interval runs out for a truck that stands silent: the alarm is raised, or its level, by the
clock; the samples confirm it when they come. And data stop coming: then the date told is no longer
followed, which is said once.
"""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass, replace

from alerts import ledger, outbox
from alerts.alarm import HELD, Event, Matter, State
from alerts.announce import announce, clear
from alerts.date_words import (
    DUE_BY,
    DUE_MS,
    EARLY_MS,
    LATE_MS,
    NO_DATA_SINCE_MS,
    TOLD_BY,
    TOLD_MS,
)
from alerts.identity import alarm_id
from alerts.ledger import STANDING, Alarm
from alerts.lifecycle import arise, move
from alerts.outbox import Entry
from alerts.policy import Policy
from alerts.telling import subject
from models.due import AGE
from models.transition import Priority

SERVICE_DUE = "service_due"
"""The kind of alarm this file is about; ``models.detectors.service_due`` finds it in the samples."""

NO_LONGER_SO = "a later look shows otherwise"


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """How the service of one truck stands now, by what is known of it.

    ``priority`` is 0 while nobody need be told; ``newest_ms`` the time of its newest sample.
    """

    priority: int
    probability: float
    evidence: Mapping[str, float]
    newest_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class DateRules:
    """What is worth telling.

    ``moved_ms``: a date that moves by more is told anew; with ``out_of_interval`` only if it also
    leaves the days that were told as 8 in 10. ``quiet_ms``: the date of a truck without data for longer
    is not followed.
    """

    moved_ms: int = 14 * 86_400_000
    out_of_interval: bool = False
    quiet_ms: int = 14 * 86_400_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Reviewed:
    """The alarms that the review changed, by what it did."""

    raised: tuple[Alarm, ...] = ()
    cleared: tuple[Alarm, ...] = ()
    moved: tuple[Alarm, ...] = ()
    quiet: tuple[Alarm, ...] = ()


NOTHING = Reviewed()


@dataclass(frozen=True, slots=True)
class _Review:
    """The transaction, and what holds for all trucks of one review."""

    tx: sqlite3.Connection
    now_ms: int
    rules: DateRules
    policy: Policy


def review(
    tx: sqlite3.Connection,
    outlooks: Mapping[str, Outlook],
    *,
    now_ms: int,
    rules: DateRules,
    policy: Policy,
) -> Reviewed:
    """Lay the outlook of each truck, by name, beside what was told of it."""
    own = _Review(tx, now_ms, rules, policy)
    found: dict[str, list[Alarm]] = {"raised": [], "cleared": [], "moved": [], "quiet": []}
    for vehicle, outlook in sorted(outlooks.items()):
        done = _look(own, vehicle, outlook)
        if done is not None:
            what, alarm = done
            found[what].append(alarm)
    return Reviewed(**{what: tuple(alarms) for what, alarms in found.items()})


def _look(own: _Review, vehicle: str, outlook: Outlook) -> tuple[str, Alarm] | None:
    """Do the one thing that is to be done for a truck, if any."""
    alarm = _standing(own.tx, vehicle)
    if alarm is None:
        return ("raised", _raise(own, vehicle, outlook)) if outlook.priority else None
    if alarm.provisional and not outlook.priority:
        return "cleared", _clear(own, alarm)
    if _level_is_news(alarm, outlook):
        return "raised", _rise(own, alarm, outlook)
    told = outbox.newest_told(own.tx, alarm)
    if told is None:
        return None
    if outlook.priority > alarm.priority:
        # Late samples showed less than the clock had; what it told still holds.
        alarm = replace(alarm, priority=Priority(outlook.priority))
        ledger.save(own.tx, alarm)
    if _quiet(own, outlook):
        return _say_quiet(own, alarm, told, outlook)
    return _say_moved(own, alarm, told, outlook)


def _standing(tx: sqlite3.Connection, vehicle: str) -> Alarm | None:
    found = ledger.find(
        tx,
        f"{STANDING} AND vehicle = ? AND kind = ? AND active",
        (vehicle, SERVICE_DUE),
        order="provisional, onset_ms DESC, id",
    )
    return next(iter(found), None)


def _raise(own: _Review, vehicle: str, outlook: Outlook) -> Alarm:
    """Raise what the samples cannot say yet; the next one confirms it under the same id."""
    nth = 0
    while ledger.get(own.tx, alarm_id(vehicle, SERVICE_DUE, own.now_ms, nth)):
        nth += 1
    alarm = Alarm(
        id=alarm_id(vehicle, SERVICE_DUE, own.now_ms, nth),
        vehicle=vehicle,
        kind=SERVICE_DUE,
        onset_ms=own.now_ms,
        raised_ms=own.now_ms,
        priority=Priority(outlook.priority),
        probability=outlook.probability,
        evidence=_evidence(own, outlook),
        provisional=True,
        first_seen_ms=own.now_ms,
    )
    alarm, matter = arise(own.tx, alarm, Event.RAISE, now_ms=own.now_ms, policy=own.policy)
    return _announce(own, alarm, matter) if matter else alarm


def _clear(own: _Review, alarm: Alarm) -> Alarm:
    ended = replace(alarm, remark=NO_LONGER_SO)
    now_ms = own.now_ms
    return clear(own.tx, ended, cleared_ms=now_ms, now_ms=now_ms, policy=own.policy)


def _level_is_news(alarm: Alarm, outlook: Outlook) -> bool:
    """Tell whether a level was reached that nobody was told of.

    What stood when it was found late counts too: unlike heat, a service is not over by itself.
    """
    if alarm.state in HELD:
        return outlook.priority > alarm.priority
    known = int(alarm.priority) if alarm.state is State.ACKNOWLEDGED else 0
    return outlook.priority > max(known, alarm.told_priority)


def _rise(own: _Review, alarm: Alarm, outlook: Outlook) -> Alarm:
    matter = Matter.RISE if alarm.told_priority else Matter.ACTIVE
    risen = replace(
        alarm,
        priority=Priority(max(alarm.priority, outlook.priority)),
        probability=outlook.probability,
        evidence=_evidence(own, outlook),
    )
    if outlook.priority > alarm.priority:
        risen, _ = move(own.tx, risen, Event.RISE, now_ms=own.now_ms)
    return _announce(own, risen, matter)


def _announce(own: _Review, alarm: Alarm, matter: Matter) -> Alarm:
    now_ms = own.now_ms
    return announce(own.tx, alarm, matter, time_ms=now_ms, now_ms=now_ms, policy=own.policy)


def _quiet(own: _Review, outlook: Outlook) -> bool:
    return own.now_ms - outlook.newest_ms > own.rules.quiet_ms


def _evidence(own: _Review, outlook: Outlook) -> dict[str, float]:
    if not _quiet(own, outlook):
        return dict(outlook.evidence)
    return {**outlook.evidence, NO_DATA_SINCE_MS: float(outlook.newest_ms)}


def _say_quiet(
    own: _Review, alarm: Alarm, told: Entry, outlook: Outlook
) -> tuple[str, Alarm] | None:
    since_ms = float(outlook.newest_ms)
    if told.evidence.get(NO_DATA_SINCE_MS) == since_ms or _needs_no_data(own, told):
        return None
    # The date told stays the date told: a new one is measured against it when data come again.
    said = {**told.evidence, NO_DATA_SINCE_MS: since_ms}
    return _say(own, alarm, Matter.QUIET, said, "quiet")


def _needs_no_data(own: _Review, told: Entry) -> bool:
    """Tell whether nothing of what was told needs data: a date by the calendar, a past one, none."""
    to_come = told.evidence.get(DUE_MS, math.nan) > own.now_ms
    return told.evidence.get(DUE_BY) == AGE or not to_come


def _say_moved(
    own: _Review, alarm: Alarm, told: Entry, outlook: Outlook
) -> tuple[str, Alarm] | None:
    before_ms, due_ms = (
        each.get(DUE_MS, math.nan) for each in (told.evidence, outlook.evidence)
    )
    # Once it is due there is no date to plan by: the level tells that.
    if due_ms <= own.now_ms or not moved(told.evidence, due_ms, own.rules):
        return None
    before_by = told.evidence.get(DUE_BY, math.nan)
    said = {**outlook.evidence, TOLD_MS: before_ms, TOLD_BY: before_by}
    return _say(own, alarm, Matter.MOVED, said, "moved")


def moved(told: Mapping[str, float], due_ms: float, rules: DateRules) -> bool:
    """Tell whether a date has moved enough to be told: ``told`` is the evidence of the one before.

    ``due_ms`` [Unix ms] is the date now; not finite: none within sight.
    """
    before_ms = told.get(DUE_MS, math.nan)
    if not (math.isfinite(before_ms) and math.isfinite(due_ms)):
        return math.isfinite(before_ms) is not math.isfinite(due_ms)
    if abs(due_ms - before_ms) <= rules.moved_ms:
        return False
    # An end that is not known (NaN) is further off than any date.
    inside = not due_ms < told.get(EARLY_MS, math.nan) and not due_ms > told.get(
        LATE_MS, math.nan
    )
    return not (rules.out_of_interval and inside)


def _say(
    own: _Review, alarm: Alarm, matter: Matter, said: Mapping[str, float], what: str
) -> tuple[str, Alarm] | None:
    """Tell those who know of the alarm; nothing changes for one that is held or that nobody knows of."""
    if alarm.state in HELD:
        return None
    known = set(outbox.told(own.tx, alarm))
    wanted = own.policy.tellings(subject(alarm), own.now_ms)
    tellings = [telling for telling in wanted if telling.destination in known]
    if not tellings:
        return None
    changed = replace(alarm, evidence=said)
    ledger.save(own.tx, changed)
    outbox.post(own.tx, changed, matter, tellings, time_ms=own.now_ms, now_ms=own.now_ms)
    return what, changed
