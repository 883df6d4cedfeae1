"""The service record as files, CSV or TOML by the suffix of the name, out and in."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import tzinfo
from pathlib import Path
from types import ModuleType
from typing import Any

from ingest import record, record_csv, record_toml
from ingest.held import NEVER_MS
from ingest.record import Entry
from ingest.record_import import Brought, bring_in
from ingest.record_row import BadRecordFile, Defaults
from models.fleet import FITTINGS, Fleet, Vehicle
from review.entry_rules import CannotEnter, examine
from review.problems import Mistake
from review.record_book import Book
from review.trucks import FLEET_FILE, at_first, installed

_FORMS: dict[str, ModuleType] = {".csv": record_csv, ".toml": record_toml}

_TRUCK: tuple[tuple[str, Callable[[Vehicle], Any]], ...] = (
    ("circuit", lambda truck: truck.circuit),
    ("cooler", lambda truck: truck.cooler),
    ("fluid", lambda truck: truck.fluid),
    ("class", lambda truck: truck.thermal_class),
    ("sensor", lambda truck: truck.sensor),
)


def fleet_export(
    conn: sqlite3.Connection,
    fleet: Fleet,
    path: Path,
    *,
    trucks: Iterable[str] | None = None,
    with_fleet_file: bool = False,
    now_ms: int,
) -> bytes:
    """Write the record as a file would hold it.

    Parameters
    ----------
    conn, fleet
        The store, and what the fleet file says.
    path
        Names the form by its suffix; nothing is written there.
    trucks
        Only of these; None: of all.
    with_fleet_file
        Also write what the fleet file says of its trucks, as entries, for a place where no fleet
        file names them. Limits and fluids are no entries; they stay the fleet file's.
    now_ms
        When those entries count as entered [Unix ms].

    Raises
    ------
    Mistake
        The suffix is neither ``.csv`` nor ``.toml``.
    """
    form = _form(path)
    named = {*record.vehicles(conn), *(fleet.vehicles if with_fleet_file else ())}
    wanted = sorted(named if trucks is None else named & {*trucks})
    entries: list[Entry] = []
    for name in wanted:
        if with_fleet_file and name in fleet.vehicles:
            entries += _of_the_file(fleet, name, now_ms)
        entries += record.history(conn, name)
    written: bytes = form.write(entries)
    return written


def fleet_import(book: Book, path: Path, data: bytes, *, zone: tzinfo) -> Brought:
    """Enter what a file tells that the record does not hold yet: all of it, or nothing.

    Parameters
    ----------
    book
        The record, open; it signs where the file does not say who.
    path, data
        Name and content of the file; the suffix names the form.
    zone
        Of times without an offset.

    Raises
    ------
    CannotEnter
        With everything that is wrong, by line and column.
    Mistake
        The suffix is neither ``.csv`` nor ``.toml``.
    """

    def check(entry: Entry) -> None:
        examine(book.tx, book.fleet, entry, now_ms=book.now_ms)

    try:
        told = _form(path).read(data, Defaults(who=book.who, now_ms=book.now_ms, zone=zone))
        return bring_in(book.tx, told, check=check)
    except BadRecordFile as error:
        lines = [f"{path}: {problem}" for problem in error.problems]
        raise CannotEnter("\n".join(lines)) from error


def _form(path: Path) -> ModuleType:
    form = _FORMS.get(path.suffix.lower())
    if form is None:
        raise Mistake(f"{path} ends neither in .csv nor in .toml; name one that does")
    return form


def _of_the_file(fleet: Fleet, name: str, now_ms: int) -> list[Entry]:
    """Write what the fleet file says of a truck as entries: a registration, and the fill if it is dated."""
    truck = at_first(fleet, name, ())
    numbers = {
        "fluid_total_l": truck.fluid_total_l,
        "thermostat_open_c": truck.thermostat_open_c,
        "thermostat_full_c": truck.thermostat_full_c,
        "rated_torque_nm": truck.rated_torque_nm,
        **{name: 1.0 for name in FITTINGS if getattr(truck, name)},
    }
    registered = Entry(
        vehicle=name,
        kind="register",
        time_ms=now_ms,
        who=FLEET_FILE,
        entered_ms=now_ms,
        words={
            "title": _printable(truck.title) or name,
            **{word: get(truck) for word, get in _TRUCK},
        },
        numbers={key: value for key, value in numbers.items() if value is not None},
    )
    dated = [each for each in installed(truck) if each.time_ms != NEVER_MS]
    return [registered, *(replace(each, entered_ms=now_ms) for each in dated)]


def _printable(text: str) -> str:
    """Leave out what no file of entries can carry, and the fleet file may."""
    return "".join(sign for sign in text if sign.isprintable()).strip()
