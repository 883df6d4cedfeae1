"""Entering in the service record from a command, beside a running daemon or without one."""

from __future__ import annotations

import getpass
import os
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from alerts.routing import Plan
from deploy import logs
from deploy.courses import reader_of
from deploy.database import Database, StoreBusy, read_only
from deploy.fleet import fleet_of, groups_of
from deploy.influx_access import let_in
from deploy.open_book import open_book
from deploy.people_file import plan_of
from deploy.pipeline import Pipeline
from deploy.rules import rules_of
from deploy.settings import Settings, load_settings
from deploy.waiting import until
from ingest import record
from ingest.record import Entry
from models.fleet import Fleet
from models.units import Units
from review.measures import distance_km, moment_ms, share, temperature_c, volume_l
from review.reading import Reader
from review.record_book import Book

PATIENCE_S = 5.0
"""How long a command waits for the daemon to count what was entered [s]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """Settings, fleet with the groups of its trucks, who is told, and who sits at it."""

    settings: Settings
    fleet: Fleet
    reader: Reader
    who: str
    plan: Plan | None = None
    groups: Mapping[str, frozenset[str]] = field(default_factory=dict)

    @property
    def units(self) -> Units:
        """The units that the fleet has chosen."""
        return self.settings.fleet.units.units(self.settings.fleet.zone)

    @property
    def zone(self) -> ZoneInfo:
        """The fleet's time zone."""
        return self.settings.fleet.zone

    @property
    def store(self) -> Path:
        """The store."""
        return self.settings.store.path

    def now_ms(self) -> int:
        """Give the time [Unix ms]."""
        return self.reader.now_ms()

    def moment(self, text: str | None) -> int:
        """Read a time [Unix ms] that somebody wrote; now where nobody did."""
        now_ms = self.now_ms()
        return now_ms if text is None else moment_ms(text, self.zone, now_ms)

    def edge(self, text: str | None, *, days: int = 0) -> int | None:
        """Read an end of a span [Unix ms]; a date alone is its midnight, or that of ``days`` later."""
        if text is None:
            return None
        try:
            day = date.fromisoformat(text)
        except ValueError:
            return self.moment(text)
        midnight = datetime.combine(day + timedelta(days=days), time(0), self.zone)
        return round(midnight.timestamp() * 1000)

    def volume(self, text: str | None) -> float | None:
        """Read a volume [L]."""
        return None if text is None else volume_l(text, self.units)

    def distance(self, text: str | None) -> float | None:
        """Read a distance [km]."""
        return None if text is None else distance_km(text, self.units)

    def share(self, text: str | None) -> float | None:
        """Read a share [-]."""
        return None if text is None else share(text)

    def temperature(self, text: str | None) -> float | None:
        """Read a temperature [°C]."""
        return None if text is None else temperature_c(text, self.units)


def desk_of(config: Path | None, who: str | None = None) -> Desk:
    """Read settings, fleet file and people file.

    Raises
    ------
    review.problems.BadSettings
        With every problem of the first of them that has any.
    """
    loaded = load_settings(config=config, env=os.environ)
    let_in(loaded.settings)
    fleet = fleet_of(loaded)
    return Desk(
        settings=loaded.settings,
        fleet=fleet,
        reader=reader_of(loaded.settings, fleet),
        who=login_name() if who is None else who,
        plan=plan_of(loaded),
        groups=groups_of(loaded),
    )


def login_name() -> str:
    """Name the user of this process; a process without one is called so."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "unknown user"


def enter(
    desk: Desk, work: Callable[[Book], Sequence[Entry]], *, first: bool = False
) -> Sequence[Entry]:
    """Write in the record and let it count.

    Where a daemon runs, it counts what was written within a second; this waits for it. Where none
    runs, it is counted here, as the daemon would at its next start.

    Parameters
    ----------
    desk
        Whose store, and who signs.
    work
        Adds entries and gives them; when it raises, none is added.
    first
        May be the first thing that is ever written: a store is made where there is none.

    Returns
    -------
    sequence
        The entries. Whether they count now, :func:`uncounted` tells.

    Raises
    ------
    deploy.database.StoreError
        There is no store, or it cannot be used.
    """
    if not first:
        with read_only(desk.store):
            pass  # says so when there is none
    try:
        database = Database(desk.store, synchronous=desk.settings.store.synchronous)
    except StoreBusy:
        return _beside(desk, work)
    logs.set_up("error")
    with closing(database):
        with database.write() as tx:
            done = work(Book(tx=tx, fleet=desk.fleet, who=desk.who, now_ms=desk.now_ms()))
        pipeline_of(desk, database).load()
    return done


def pipeline_of(desk: Desk, database: Database) -> Pipeline:
    """Give what a daemon would work with, for a command that works where none runs."""
    return Pipeline(
        database,
        registered=frozenset(desk.fleet.vehicles),
        courses=desk.reader.courses,
        rules=rules_of(desk.settings, desk.plan),
        now_ms=desk.reader.now_ms,
    )


def _beside(desk: Desk, work: Callable[[Book], Sequence[Entry]]) -> Sequence[Entry]:
    with open_book(desk.store, desk.fleet, who=desk.who, now_ms=desk.now_ms()) as book:
        done = work(book)
    until(lambda: not uncounted(desk.store, done), PATIENCE_S)
    return done


def uncounted(store: Path, entries: Sequence[Entry]) -> list[str]:
    """Name the trucks of these entries that have some which do not count yet."""
    with read_only(store) as conn:
        waiting = set(record.pending(conn))
    return sorted(waiting & {entry.vehicle for entry in entries})
