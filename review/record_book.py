"""The service record, open for writing: entries are checked, added, superseded; none is edited."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import TypeVar

from ingest import record
from ingest.entry_fields import with_derived
from ingest.record import STRUCK, Entry, RecordError
from models.fleet import Fleet
from review.entry_rules import CannotEnter, examine

_Given = TypeVar("_Given")

_DERIVED = frozenset({"acid_rise_mg_g", "viscosity_change"})
"""Numbers of a sample that follow from others of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Book:
    """The record, open for writing: inside one transaction on a store.

    ``fleet`` is what the fleet file says; ``who`` signs; ``now_ms`` [Unix ms] is when.
    """

    tx: sqlite3.Connection
    fleet: Fleet
    who: str
    now_ms: int


def add_entry(
    book: Book,
    truck: str,
    kind: str,
    at_ms: int,
    *,
    numbers: Mapping[str, float],
    words: Mapping[str, str] = MappingProxyType({}),
    note: str,
    key: str | None = None,
) -> Entry:
    """Check an entry and add it; give it with its number, a repeat of ``key`` as it was entered before."""
    entry = Entry(
        vehicle=truck,
        kind=kind,
        time_ms=at_ms,
        numbers=numbers,
        words=words,
        note=note,
        who=book.who,
        entered_ms=book.now_ms,
        key=key,
    )
    examine(book.tx, book.fleet, entry, now_ms=book.now_ms)
    return record.add(book.tx, entry)


def correct(
    book: Book,
    entry_id: int,
    *,
    at_ms: int | None = None,
    numbers: Mapping[str, float | None] | None = None,
    words: Mapping[str, str | None] | None = None,
    note: str | None = None,
    key: str | None = None,
) -> Entry:
    """Supersede an entry by one that differs in what is given; a number or word of None is taken out."""
    old = find(book.tx, entry_id)
    changed = replace(
        old,
        time_ms=old.time_ms if at_ms is None else at_ms,
        numbers=_corrected(old.numbers, numbers or {}),
        words=given({**old.words, **(words or {})}),
        note=old.note if note is None else note,
        who=book.who,
        entered_ms=book.now_ms,
        supersedes=entry_id,
        key=key,
        id=None,
    )
    examine(book.tx, book.fleet, changed, now_ms=book.now_ms)
    return record.add(book.tx, changed)


def strike(book: Book, entry_id: int, *, note: str, key: str | None = None) -> Entry:
    """Strike an entry out: it counts no longer, and stays to be read; the note says why."""
    old = find(book.tx, entry_id)
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
        key=key,
    )
    examine(book.tx, book.fleet, struck, now_ms=book.now_ms)
    return record.add(book.tx, struck)


def find(conn: sqlite3.Connection, entry_id: int) -> Entry:
    """Give an entry by its number.

    Raises
    ------
    CannotEnter
        There is none.
    """
    try:
        links = record.chain(conn, entry_id)
    except RecordError as error:
        raise CannotEnter(
            f"{error.what}; 'heatbook fleet history TRUCK' lists those of a truck"
        ) from error
    return next(link for link in links if link.id == entry_id)


def _corrected(
    old: Mapping[str, float], changes: Mapping[str, float | None]
) -> dict[str, float]:
    """Give an entry's numbers with changes; what follows from other numbers follows again."""
    merged = given({**old, **changes})
    derived = {name: value for name, value in merged.items() if name in _DERIVED - {*changes}}
    bare = {name: value for name, value in merged.items() if name not in derived}
    return {**derived, **with_derived(bare)}


def given(values: Mapping[str, _Given | None]) -> dict[str, _Given]:
    """Leave out what was not given."""
    return {name: value for name, value in values.items() if value is not None}
