"""One entry of a truck's service record: what was done, when, who says so, and when they said it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from ingest.entry_fields import RecordError, examine, fit_text, with_derived
from ingest.wire import vehicle_name

STRUCK = "struck"
"""Kind of an entry that only strikes out the one it supersedes."""

EARLIEST_MS = 946_684_800_000
"""2000-01-01T00:00Z: an older date is a slip of the pen [Unix ms]."""

AHEAD_MS = 86_400_000
"""How long after it is entered an entry may lie [ms]: a date written without its time zone."""

LONGEST_NOTE = 2_000
LONGEST_WHO = 100
LONGEST_KEY = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One entry.

    ``time_ms`` [Unix ms] is when it happened, ``entered_ms`` when ``who`` said so. ``numbers``
    carry their SI unit in the name, ``words`` are texts. ``supersedes``: the entry this one
    replaces. ``key``: given by whoever enters it, so that a repeat is known as one.
    """

    vehicle: str
    kind: str
    time_ms: int
    who: str
    entered_ms: int
    numbers: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    words: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    note: str = ""
    supersedes: int | None = None
    key: str | None = None
    id: int | None = None


def complete(entry: Entry) -> Entry:
    """Give an entry as it is stored: with what follows from its numbers."""
    numbers = {name: float(value) for name, value in entry.numbers.items()}
    return replace(entry, numbers=with_derived(numbers))


def examine_entry(entry: Entry) -> list[RecordError]:
    """Find everything wrong with a complete entry that can be seen without the record."""
    return [
        *_vehicle(entry.vehicle),
        *examine(entry.kind, entry.numbers, entry.words),
        *_when(entry),
        *_texts(entry),
    ]


def same_content(one: Entry, other: Entry) -> bool:
    """Say whether two complete entries say the same; when it was entered is no part of that."""
    return one == replace(other, id=one.id, entered_ms=one.entered_ms)


def standing(history: Iterable[Entry]) -> list[Entry]:
    """Leave out of a whole history what is superseded and what only strikes out."""
    entries = list(history)
    superseded = {entry.supersedes for entry in entries}
    return [each for each in entries if each.id not in superseded and each.kind != STRUCK]


def _vehicle(name: str) -> Iterator[RecordError]:
    if vehicle_name.match(name) is None:
        what = f"{name!r} is no name that a topic can carry"
        mend = "use 1 to 64 of letters, digits, '.', '_', '-', not '.' or '..' alone"
        yield RecordError(what=what, where="vehicle", mend=mend)


def _when(entry: Entry) -> Iterator[RecordError]:
    if entry.time_ms < EARLIEST_MS:
        what = "the time lies before the year 2000"
        yield RecordError(what=what, where="time", mend="correct the year")
    elif entry.time_ms > entry.entered_ms + AHEAD_MS:
        what = "the time lies more than a day after it was entered"
        mend = "the record holds what was done: enter it when it is, or correct the date"
        yield RecordError(what=what, where="time", mend=mend)
    if entry.kind == STRUCK and entry.supersedes is None:
        what = "it strikes out nothing"
        yield RecordError(what=what, where="supersedes", mend="say which entry is struck out")


def _texts(entry: Entry) -> Iterator[RecordError]:
    yield from fit_text(entry.note, "note", LONGEST_NOTE)
    yield from fit_text(entry.who, "who", LONGEST_WHO)
    if not entry.who.strip():
        yield RecordError(what="is empty", where="who", mend="say who enters this")
    if entry.key is not None:
        yield from fit_text(entry.key, "key", LONGEST_KEY)
        if not entry.key:
            yield RecordError(what="is empty", where="key", mend="give one, or none at all")
