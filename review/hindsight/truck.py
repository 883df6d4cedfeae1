"""One truck looked back at: two runs, what was raised then, what its record says; who finds what."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from typing import Any

from alerts import history, ledger
from models.course import Course
from review.hindsight.asked import Asked
from review.hindsight.found import Count, Found, Side
from review.hindsight.hints import FOUND_MS, Past, hints, verdict
from review.hindsight.matching import Matter, matters
from review.hindsight.replaying import Progress, Replayed, replayed
from review.problems import Mistake
from review.reading import Stored
from review.store import Readable

_RAISED = "vehicle = ? AND onset_ms >= ? AND onset_ms < ?"


@dataclass(frozen=True, slots=True, kw_only=True)
class TruckFound:
    """What came of one truck."""

    found: tuple[Found, ...]
    count: Count
    samples: int


def look(
    store: Readable, stored: Stored, other: Course, asked: Asked, progress: Progress
) -> TruckFound:
    """Look back at one truck that has an account.

    Raises
    ------
    ingest.archive.ArchiveError
        A month of it cannot be read.
    Mistake
        With these limits nothing would be critical, or all of it.
    """
    _in_order(stored.name, other.params)
    runs = replayed(
        store,
        stored,
        other,
        since_ms=asked.since_ms,
        until_ms=asked.until_ms,
        progress=progress,
    )
    with store.read() as conn:
        past = _past(conn, stored, asked)
    return _told(stored.name, runs, past, asked)


def _told(truck: str, runs: Replayed, past: Past, asked: Asked) -> TruckFound:
    as_is = [each for each in runs.as_is if asked.holds(each.onset_ms)]
    other = [
        each
        for each in runs.other
        if asked.holds(each.onset_ms) and each.kind not in asked.other.off
    ]
    raised = [each for each in past.alarms if asked.holds(each.onset_ms)]
    every = matters(as_is, other, raised)
    found = []
    for each in every:
        told = hints(each, every, past)
        found.append(
            Found(
                truck=truck,
                matter=each,
                side=side(each),
                told=told,
                verdict=verdict(told),
                hottest_c=runs.hottest_c(each.first_ms, each.last_ms or asked.until_ms),
            )
        )
    standing = sum(not each.withdrawn for each in raised)
    count = Count(truck=truck, as_is=len(as_is), other=len(other), raised=standing)
    return TruckFound(found=tuple(found), count=count, samples=len(runs.time_ms))


def side(matter: Matter) -> Side:
    """Say who finds a matter; what was raised and neither run finds rests on what is not in the samples."""
    if matter.as_is and matter.other:
        return Side.BOTH
    if matter.other:
        return Side.ONLY_OTHER
    return Side.ONLY_AS_IS if matter.as_is else Side.ONLY_RAISED


def _past(conn: sqlite3.Connection, stored: Stored, asked: Asked) -> Past:
    span = (stored.name, asked.since_ms - FOUND_MS, asked.until_ms + FOUND_MS)
    alarms = ledger.find(conn, _RAISED, span, order="onset_ms, id")
    own = [each for each in alarms if asked.holds(each.onset_ms)]
    return Past(
        entries=stored.entries,
        alarms=alarms,
        happened=[step for each in own for step in history.events(conn, each.id)],
        known_ms=stored.held.last_ms if stored.held else 0,
    )


def _in_order(truck: str, params: Any) -> None:
    for limits in params["over_temperature"]:
        if limits["critical_c"] <= limits["limit_c"]:
            raise Mistake(
                f"{truck}: the critical temperature, {limits['critical_c']:g} °C, would not lie above the "
                f"limit, {limits['limit_c']:g} °C; give another critical temperature too"
            )
