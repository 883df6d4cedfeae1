"""A change of the service record that somebody has in mind: whether it can be, and entering it."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from ingest import record
from ingest.entry_fields import NUMBERS, RecordError
from ingest.record import STRUCK, Entry
from models.fleet import FITTINGS, Fleet
from models.units import Units
from review.access.visitor import Role, Visitor
from review.entry_rules import FUTURE_MS, CannotEnter, examine
from review.record_book import Book, add_entry, correct
from review.service_fields import DISTANCE, FIELDS, TEMPERATURE, VOLUME, WORK, Shape

OWN_MS = 86_400_000
"""How long whoever entered something may mend it who is no manager [ms]; own choice: a slip is seen the same
day, and later others have gone by it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """What is to be entered; ``instead`` is the number of the entry that it corrects."""

    truck: str
    kind: str
    at_ms: int
    numbers: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    words: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    note: str = ""
    instead: int | None = None

    @property
    def digest(self) -> str:
        """Name what it says: what was shown to somebody and what they enter must be the same."""
        told = (self.truck, self.kind, self.at_ms, self.note, self.instead)
        text = json.dumps([told, dict(self.numbers), dict(self.words)], sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()[:20]

    def entry(self, who: str, now_ms: int) -> Entry:
        """Give it as an entry that nobody has entered yet."""
        return Entry(
            vehicle=self.truck,
            kind=self.kind,
            time_ms=self.at_ms,
            numbers=self.numbers,
            words=self.words,
            note=self.note,
            who=who,
            entered_ms=now_ms,
            supersedes=self.instead,
        )


def enter(book: Book, draft: Draft, *, key: str) -> Entry:
    """Enter a draft; a repeat of ``key`` gives what was entered the first time.

    Raises
    ------
    CannotEnter, UnknownTruck
        It does not fit truck, record or fleet.
    """
    if draft.instead is not None:
        return _correct(book, draft, draft.instead, key)
    return add_entry(
        book,
        draft.truck,
        draft.kind,
        draft.at_ms,
        numbers=draft.numbers,
        words=draft.words,
        note=draft.note,
        key=key,
    )


def _correct(book: Book, draft: Draft, old: int, key: str) -> Entry:
    """Enter a correction: what its form offered and leaves out is taken out."""
    offered = FIELDS[draft.kind]
    gone = {each.name: None for each in offered if each.is_number}
    unsaid = {each.name: None for each in offered if not each.is_number}
    return correct(
        book,
        old,
        at_ms=draft.at_ms,
        numbers={**gone, **draft.numbers},
        words={**unsaid, **draft.words},
        note=draft.note,
        key=key,
    )


def slips(
    conn: sqlite3.Connection, fleet: Fleet, entry: Entry, *, now_ms: int, units: Units
) -> dict[str, str]:
    """Say what is wrong with an entry: by field (``time``, ``note``, a number, a word), else under ``""``."""
    if entry.time_ms > now_ms + FUTURE_MS:
        return {"time": "This lies ahead. Enter what was done once it is done."}
    found = {error.where: _said(error, entry, units) for error in record.problems(conn, entry)}
    if found:
        return found
    try:
        examine(conn, fleet, entry, now_ms=now_ms)
    except CannotEnter as error:
        return {_where(str(error)): _sentence(str(error))}
    return {}


def may_enter(visitor: Visitor, kind: str) -> bool:
    """Say whether somebody may enter this kind: what changes what a truck is takes a manager."""
    return visitor.may(Role.TECHNICIAN if kind in WORK else Role.MANAGER)


def may_mend(visitor: Visitor, entry: Entry, now_ms: int) -> bool:
    """Say whether somebody may correct or strike an entry: a manager, or who made it a day ago at most."""
    if visitor.may(Role.MANAGER):
        return True
    own = entry.who == visitor.name and now_ms - entry.entered_ms <= OWN_MS
    return own and may_enter(visitor, entry.kind)


def mendable(entries: list[Entry]) -> Iterator[Entry]:
    """Give the entries that still count and that a form can mend, the newest first."""
    superseded = {entry.supersedes for entry in entries}
    for entry in sorted(entries, key=lambda each: (each.time_ms, each.id or 0), reverse=True):
        if entry.id not in superseded and entry.kind != STRUCK:
            yield entry


_WRITTEN: Mapping[str, Shape] = {"L": VOLUME, "km": DISTANCE, "°C": TEMPERATURE}


def _said(error: RecordError, entry: Entry, units: Units) -> str:
    """Say an error as whoever wrote the number would: in their units."""
    number = NUMBERS.get(error.where)
    if number is None or error.where not in entry.numbers or number.unit not in _WRITTEN:
        return _sentence(f"{error.what}; {error.mend}" if error.mend else error.what)
    write = _WRITTEN[number.unit].write
    value = write(entry.numbers[error.where], units)
    lowest, highest = write(number.lowest, units), write(number.highest, units)
    return f"{value} cannot be. Give {lowest} to {highest}."


_PLACES = (
    ("holds in all", "volume_l"),
    ("no fluid is named", "fluid"),
    ("the valve would begin", "thermostat_open_c"),
    *((f"{name}: ", name) for name in FITTINGS),
)
"""By which words an entry that does not fit the truck tells which field is meant."""


def _where(text: str) -> str:
    return next((name for words, name in _PLACES if words in text), "")


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:].rstrip('.')}."
