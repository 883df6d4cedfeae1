"""The trucks as the store holds them, read beside the daemon: account, course, record."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from typing import Any, Literal

from numpy.typing import NDArray

from ingest import held as holding
from ingest import journal
from ingest import record as service_record
from ingest.fold import catch_up
from ingest.held import NEVER_MS, Held
from ingest.record import Entry
from models.course import Course, settle
from models.fleet import Fleet, Vehicle
from models.layout import record
from models.statement import Statement, statement
from review.entry_rules import UnknownTruck, known_trucks
from review.store import Clock
from review.trucks import CourseOf, vehicle_of

Standing = Literal["good", "never heard", "out of date"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stored:
    """One truck as the store holds it.

    ``vehicle`` is what it is now, by fleet file and record. ``held`` is the truck at its newest
    sample; ``state``, a record ``STATE`` of shape (1,), has also counted the entries up to now that no
    sample has followed. Both are None unless ``standing`` is ``"good"``: the truck was ``"never heard"``,
    or its state is ``"out of date"``, from before a change of settings or models. ``waiting``:
    entries do not count yet.
    """

    name: str
    vehicle: Vehicle
    standing: Standing
    entries: tuple[Entry, ...]
    waiting: bool
    held: Held | None = None
    state: NDArray[Any] | None = None

    @property
    def course(self) -> Course:
        """Its course."""
        return self._held.course

    @property
    def account(self) -> Any:
        """The account, a record ``models.account.Account``."""
        return record(self._state).truck.account

    @property
    def params(self) -> Any:
        """What holds now, a record ``models.kernel.PARAMS``."""
        return self.course.now(self._state)

    @property
    def statement(self) -> Statement:
        """The account as a person reads it."""
        return statement(self.params.account, self.account)

    @property
    def _held(self) -> Held:
        if self.held is None:
            raise ValueError(f"{self.name} has no account that holds: {self.standing}")
        return self.held

    @property
    def _state(self) -> NDArray[Any]:
        if self.state is None:
            raise ValueError(f"{self.name} has no account that holds: {self.standing}")
        return self.state


def no_account(truck: str, standing: Standing) -> str:
    """Say why a truck has no account that could be shown."""
    if standing == "never heard":
        return f"{truck} has no account: no sample of it was ever taken in"
    return (
        f"the account of {truck} is out of date: settings, fleet file or models have changed since "
        "the daemon last computed it; it does so at its next start"
    )


@dataclass(frozen=True, kw_only=True)
class Reader:
    """Reads trucks from a store, by what the fleet file says and up to a time [Unix ms]."""

    fleet: Fleet
    courses: CourseOf
    now_ms: Clock
    version: str

    @property
    def max_gap_ms(self) -> int:
        """Longest span between readings that counts as seen [ms], by the settings."""
        return round(float(self.courses("", ()).params[0]["account"]["max_gap_s"]) * 1000.0)

    def truck(self, conn: sqlite3.Connection, name: str) -> Stored:
        """Read one truck.

        Raises
        ------
        UnknownTruck
            It is in neither the fleet file nor the record, and was never heard.
        """
        known = known_trucks(conn, self.fleet)
        if name not in known:
            raise UnknownTruck(name, known)
        return self.known_truck(conn, name, waiting=name in service_record.pending(conn))

    def trucks(self, conn: sqlite3.Connection) -> list[Stored]:
        """Read every truck that is known, by name."""
        waiting = set(service_record.pending(conn))
        names = sorted(known_trucks(conn, self.fleet))
        return [self.known_truck(conn, name, waiting=name in waiting) for name in names]

    def known_truck(self, conn: sqlite3.Connection, name: str, *, waiting: bool) -> Stored:
        """Read a truck of which it is known that it is one, and whether entries of it wait."""
        entries = tuple(service_record.effective(conn, name, taken_only=True))
        course = self.courses(name, entries)
        held = holding.load(conn, name, course, self.version)
        standing: Standing = "good"
        if held is None or journal.newest_ms(conn, vehicle_id=held.vehicle_id) is None:
            standing = "never heard"
        elif held.last_ms == NEVER_MS:
            standing = "out of date"
        else:
            held = catch_up(conn, held)
            return Stored(
                name=name,
                vehicle=vehicle_of(self.fleet, name, entries),
                standing=standing,
                entries=entries,
                waiting=waiting,
                held=held,
                state=settle(course, held.state, self.now_ms()),
            )
        return Stored(
            name=name,
            vehicle=vehicle_of(self.fleet, name, entries),
            standing=standing,
            entries=entries,
            waiting=waiting,
        )


def account_of(conn: sqlite3.Connection, reader: Reader, truck: str) -> Statement | None:
    """Give the account of a truck now; None while there is none that holds."""
    stored = reader.truck(conn, truck)
    return None if stored.state is None else stored.statement
