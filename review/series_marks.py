"""What is marked beside the lines of a truck's chart: alarms, services, nights, where nothing was heard."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta, tzinfo

import numpy as np
from numpy.typing import NDArray

from alerts import ledger
from alerts.ledger import Alarm
from alerts.teller import Teller
from ingest.record import Entry
from models.units import Units
from review.entry_words import KIND_WORDS, details
from review.kinds import WORDS

NIGHT = (time(20), time(6))
"""When a night begins and ends by the clock of the fleet: where a truck is nobody tells us, and so not when
the sun sets."""
NIGHT_WORDS = f"{NIGHT[0]:%H:%M} to {NIGHT[1]:%H:%M}"

NIGHTS_UP_TO_MS = 14 * 86_400_000
"""Over a longer span nights would be a smear, and are left out [ms]."""

MOST_ALARMS = 400
"""More are not marked, the newest count; own choice: a picture with more says nothing."""

_OVERLAPPING = (
    "vehicle = ? AND withdrawn = 0 AND onset_ms <= ? AND (active = 1 OR cleared_ms >= ?)"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmSpan:
    """An alarm as far as it lies within a span; times [Unix ms].

    ``label``: its kind in a few words; ``title``: its condition in the reader's units. ``priority`` and
    ``state`` in words. ``begins``: it began within the span, else before. ``ends``: it was over within the
    span, else it goes on.
    """

    id: str
    kind: str
    label: str
    title: str
    priority: str
    state: str
    first_ms: int
    last_ms: int
    begins: bool
    ends: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ServiceMark:
    """An entry of the service record: when [Unix ms], what, and what else it says."""

    time_ms: int
    label: str
    details: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """From when to when [Unix ms]."""

    first_ms: int
    last_ms: int


def alarm_spans(
    conn: sqlite3.Connection, truck: str, first_ms: int, last_ms: int, units: Units
) -> list[AlarmSpan]:
    """List a truck's alarms that were active in a span, by onset."""
    found = ledger.find(
        conn,
        _OVERLAPPING,
        (truck, last_ms, first_ms, MOST_ALARMS),
        order="onset_ms DESC, id LIMIT ?",
    )
    return [_clipped(alarm, first_ms, last_ms, units) for alarm in reversed(found)]


def _clipped(alarm: Alarm, first_ms: int, last_ms: int, units: Units) -> AlarmSpan:
    over_ms = None if alarm.active else alarm.cleared_ms
    ends = over_ms is not None and over_ms <= last_ms
    return AlarmSpan(
        id=alarm.id,
        kind=alarm.kind,
        label=alarm.kind.replace("_", " "),
        title=_teller(units).say(alarm).title,
        priority=alarm.priority.name.lower(),
        state=alarm.state.value.replace("_", " "),
        first_ms=max(alarm.onset_ms, first_ms),
        last_ms=last_ms if over_ms is None else min(over_ms, last_ms),
        begins=alarm.onset_ms >= first_ms,
        ends=ends,
    )


def _teller(units: Units) -> Teller:
    return Teller(words=WORDS, units=units, names={})


def service_marks(
    entries: Sequence[Entry], first_ms: int, last_ms: int, units: Units
) -> list[ServiceMark]:
    """List what the service record says of a span."""
    return [
        ServiceMark(
            time_ms=entry.time_ms,
            label=KIND_WORDS[entry.kind],
            details=details(entry, units),
        )
        for entry in entries
        if first_ms <= entry.time_ms <= last_ms
    ]


def nights(first_ms: int, last_ms: int, zone: tzinfo) -> list[Stretch]:
    """List the nights of a span by the fleet's clock; none over a long one."""
    if last_ms - first_ms > NIGHTS_UP_TO_MS:
        return []
    return [
        Stretch(first_ms=max(begin_ms, first_ms), last_ms=min(end_ms, last_ms))
        for begin_ms, end_ms in _nights(first_ms, last_ms, zone)
        if begin_ms < last_ms and end_ms > first_ms
    ]


def _nights(first_ms: int, last_ms: int, zone: tzinfo) -> Iterator[tuple[int, int]]:
    day = datetime.fromtimestamp(first_ms / 1000, zone).date() - timedelta(days=1)
    last = datetime.fromtimestamp(last_ms / 1000, zone).date()
    while day <= last:
        evening = datetime.combine(day, NIGHT[0], zone)
        morning = datetime.combine(day + timedelta(days=1), NIGHT[1], zone)
        yield round(evening.timestamp() * 1000), round(morning.timestamp() * 1000)
        day += timedelta(days=1)


def gaps(
    time_ms: NDArray[np.int64], gap_ms: int, bucket_ms: int, first_ms: int, last_ms: int
) -> list[Stretch]:
    """List where nothing was heard for longer than ``gap_ms``; ``time_ms`` where buckets begin [Unix ms]."""
    if len(time_ms) == 0:
        return [Stretch(first_ms=first_ms, last_ms=last_ms)]
    begins = np.concatenate([[first_ms], time_ms + bucket_ms])
    ends = np.concatenate([time_ms, [last_ms]])
    wide = ends - begins > max(gap_ms, bucket_ms)
    return [
        Stretch(first_ms=int(begin), last_ms=int(end))
        for begin, end in zip(begins[wide], ends[wide], strict=True)
    ]
