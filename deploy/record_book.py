"""The service record, open for writing: entries are checked, added, superseded; none is edited."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType

from deploy.database import beside_daemon
from deploy.entry_rules import CannotEnter, examine
from ingest import record
from ingest.record import STRUCK, Entry
from models.fleet import Fleet


@dataclass(frozen=True, slots=True, kw_only=True)
class Book:
    """The record, open for writing: inside one transaction on a store.

    ``fleet`` is what the fleet file says; ``who`` signs; ``now_ms`` [Unix ms] is when.
    """

    tx: sqlite3.Connection
    fleet: Fleet
    who: str
    now_ms: int


@contextmanager
def open_book(path: Path, fleet: Fleet, *, who: str, now_ms: int) -> Iterator[Book]:
    """Open the record of a store, beside a daemon or not; all that is entered counts, or nothing.

    Raises
    ------
    deploy.database.StoreError
        There is no such store.
    """
    with beside_daemon(path) as tx:
        yield Book(tx=tx, fleet=fleet, who=who, now_ms=now_ms)


def add_entry(
    book: Book,
    truck: str,
    kind: str,
    at_ms: int,
    *,
    numbers: Mapping[str, float],
    words: Mapping[str, str] = MappingProxyType({}),
    note: str,
) -> Entry:
    """Check an entry and add it; give it with its number."""
    entry = Entry(
        vehicle=truck,
        kind=kind,
        time_ms=at_ms,
        numbers=numbers,
        words=words,
        note=note,
        who=book.who,
        entered_ms=book.now_ms,
    )
    examine(book.tx, book.fleet, entry, now_ms=book.now_ms)
    return record.add(book.tx, entry)


def correct(
    book: Book,
    entry_id: int,
    *,
    at_ms: int | None = None,
    numbers: Mapping[str, float | None] | None = None,
    words: Mapping[str, str] | None = None,
    note: str | None = None,
) -> Entry:
    """Supersede an entry by one that differs in what is given; a number of None is taken out."""
    old = _standing(book, entry_id)
    changed = replace(
        old,
        time_ms=old.time_ms if at_ms is None else at_ms,
        numbers=given({**old.numbers, **(numbers or {})}),
        words={**old.words, **(words or {})},
        note=old.note if note is None else note,
        who=book.who,
        entered_ms=book.now_ms,
        supersedes=entry_id,
        key=None,
        id=None,
    )
    examine(book.tx, book.fleet, changed, now_ms=book.now_ms)
    return record.add(book.tx, changed)


def strike(book: Book, entry_id: int, *, note: str) -> Entry:
    """Strike an entry out: it counts no longer, and stays to be read; the note says why."""
    old = _standing(book, entry_id)
    if not note.strip():
        raise CannotEnter(f"say why entry {entry_id} is struck out, in the note")
    struck = Entry(
        vehicle=old.vehicle,
        kind=STRUCK,
        time_ms=old.time_ms,
        who=book.who,
        entered_ms=book.now_ms,
        note=note,
        supersedes=entry_id,
    )
    return record.add(book.tx, struck)


def _standing(book: Book, entry_id: int) -> Entry:
    """Give an entry that counts; what is superseded cannot be superseded again."""
    row = book.tx.execute(
        "SELECT old.vehicle, new.id FROM service_entry AS old LEFT JOIN service_entry AS new "
        "ON new.supersedes = old.id WHERE old.id = ?",
        (entry_id,),
    ).fetchone()
    if row is None:
        raise CannotEnter(
            f"there is no entry {entry_id}; 'heatbook fleet history TRUCK' lists a truck's"
        )
    vehicle, superseded_by = row
    if superseded_by is not None:
        raise CannotEnter(
            f"entry {entry_id} counts no longer: entry {superseded_by} superseded it; name that "
            "one, or enter anew what was done"
        )
    (old,) = [each for each in record.history(book.tx, vehicle) if each.id == entry_id]
    if old.kind == STRUCK:
        raise CannotEnter(
            f"entry {entry_id} only strikes out entry {old.supersedes}; enter anew what was done"
        )
    return old


def given(numbers: Mapping[str, float | None]) -> dict[str, float]:
    """Leave out what was not given."""
    return {name: value for name, value in numbers.items() if value is not None}
