"""What a change of the service record would do to a truck's account, worked out before it is made.

By the same steps as the daemon's own: the record as it would be, and the samples since run again.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from numpy.typing import NDArray

from ingest import record
from ingest.held import Held
from ingest.record import Entry
from models.course import Course
from models.due import Due, due_of
from models.layout import record as row
from models.renewal import counter_at_km
from models.statement import Statement, statement
from review.past import state_at, state_with
from review.reading import Reader, Standing

LONGEST_MS = 92 * 86_400_000
"""How far back it is worked out what a change would do [ms]: all samples since are run again for it. Own
choice: a quarter of a year takes about a second, and somebody waits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """A truck's account, and when its service is due."""

    statement: Statement
    due: Due


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """What a change would make of a truck's account.

    ``before`` is None while the truck has no account that holds; ``after`` also where the change lies too far
    back (``LONGEST_MS``). ``own_km``: where the truck's own counter stood then [km], if what somebody read
    does not fit it and will be left out of the distance.
    """

    standing: Standing
    before: Account | None = None
    after: Account | None = None
    own_km: float | None = None


def outlook(
    conn: sqlite3.Connection,
    reader: Reader,
    truck: str,
    *,
    add: Entry | None = None,
    without: int | None = None,
) -> Outlook:
    """Work out what it would do to ``add`` an entry, to leave one out, or to put one in another's place.

    Entries that the daemon has not counted yet count here.

    Raises
    ------
    UnknownTruck
        Nobody knows the truck.
    """
    stored = reader.truck(conn, truck)
    if stored.held is None or stored.state is None:
        return Outlook(standing=stored.standing)
    now = list(record.effective(conn, truck))
    then = _changed(now, add, without)
    trial = _Trial(conn=conn, reader=reader, held=stored.held, counted=stored.entries)
    return Outlook(
        standing=stored.standing,
        before=trial.account(now),
        after=trial.account(then),
        own_km=None if add is None else _own_km(conn, stored.held, add),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Trial:
    """Works out the account that a truck would have with other entries than those that count."""

    conn: sqlite3.Connection
    reader: Reader
    held: Held
    counted: Sequence[Entry]

    def account(self, entries: Sequence[Entry]) -> Account | None:
        now_ms = max(self.reader.now_ms(), self.held.last_ms)
        since_ms = _parted_ms(self.counted, entries)
        if since_ms is None:
            since_ms = now_ms + 1
        if since_ms < self.held.last_ms - LONGEST_MS:
            return None
        course = self.reader.courses(self.held.name, entries)
        state = state_with(self.conn, self.held, course, since_ms=since_ms, now_ms=now_ms)
        return _account(course, state, now_ms)


def _account(course: Course, state: NDArray[Any], now_ms: int) -> Account:
    params, own = course.now(state), row(state)
    return Account(
        statement=statement(params.account, own.truck.account),
        due=due_of(params, own, now_ms),
    )


def _changed(
    entries: Sequence[Entry], add: Entry | None, without: int | None
) -> Sequence[Entry]:
    """Give the entries with a change, in order of time: a correction keeps its place among equals."""
    changed: list[Entry] = []
    placed = add is None
    for entry in entries:
        if without is None or entry.id != without:
            changed.append(entry)
        elif add is not None:
            changed.append(add)
            placed = True
    if not placed and add is not None:
        changed.append(add)
    return sorted(changed, key=lambda entry: entry.time_ms)


def _parted_ms(one: Iterable[Entry], other: Iterable[Entry]) -> int | None:
    """Give from when on two records say different things [Unix ms]; None: never."""
    mine, theirs = {each.id: each for each in one}, {each.id: each for each in other}
    apart = (
        each.time_ms
        for here, there in ((mine, theirs), (theirs, mine))
        for name, each in here.items()
        if name is None or name not in there
    )
    return min(apart, default=None)


def _own_km(conn: sqlite3.Connection, held: Held, entry: Entry) -> float | None:
    told_km = entry.numbers.get("odometer_km")
    if told_km is None or entry.time_ms < held.last_ms - LONGEST_MS:
        return None
    account = row(state_at(conn, held, entry.time_ms)).truck.account
    own_km = float(counter_at_km(account, told_km, entry.time_ms))
    return None if own_km == told_km else own_km
