"""Entries of the service record as the API takes and gives them: one shape for each kind, from its table."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import reduce
from operator import or_
from typing import Annotated, Any, Literal

from pydantic import Field

from ingest.entry import Entry
from ingest.entry_fields import FLAGS, KINDS, NUMBERS, WORDS
from review.api import record_tables as tables
from review.api.instant import At
from review.api.record_tables import CALLED, ENTERED, FIELDS, named
from review.api.shape import Asked, Moment, Shape, Truck, moment, shape_by_table


class EntryBase(Shape):
    """One entry of a truck's service record."""

    id: int
    """Its number."""
    truck: Truck
    """The truck."""
    done_at: Moment
    """When it was done."""
    entered_at: Moment
    """When it was entered."""
    entered_by: str
    """Who entered it."""
    note: str
    """Whatever else was said."""
    supersedes_id: int | None
    """The entry that it takes the place of."""
    superseded_by_id: int | None
    """The entry that took its place: then it counts no longer."""
    counts: bool
    """Whether it counts in the truck's account already."""


class NewEntryBase(Asked):
    """What was done to a truck."""

    done_at: At
    """When it was done; RFC 3339 with an offset, not in the future."""
    note: tables.Note = ""
    """Whatever else is to be kept."""


class CorrectionBase(Asked):
    """What differs in an entry that is to be corrected; what is left out stays."""

    done_at: At = Field(default_factory=lambda: datetime.fromtimestamp(0, UTC))
    """When it was done."""
    note: tables.Note = Field(default_factory=str)
    """Whatever else is to be kept."""


class Strike(Asked):
    """Why an entry is struck out."""

    note: Annotated[tables.Note, Field(min_length=1, pattern=tables.WORD)]
    """Why: whoever reads the record later must know."""


def _camel(kind: str) -> str:
    return "".join(part.capitalize() for part in kind.split("_"))


def _given(kind: str) -> Any:
    said = {named(name): tables.given(name) for name in _of(kind)}
    fields = {"kind": _kind(kind), **said}
    return shape_by_table(f"{_camel(kind)}Entry", EntryBase, f"{CALLED[kind]}.", fields)


def _taken(kind: str) -> Any:
    required = KINDS[kind].required
    said = {named(name): tables.taken(name, required=name in required) for name in _of(kind)}
    fields = {"kind": _kind(kind), **said}
    return shape_by_table(f"New{_camel(kind)}Entry", NewEntryBase, f"{CALLED[kind]}.", fields)


def _kind(kind: str) -> tuple[Any, Any]:
    return Literal[kind], Field(description="What was done.")


def _of(kind: str) -> tuple[str, ...]:
    return (*KINDS[kind].numbers, *KINDS[kind].words)


_GIVEN = {kind: _given(kind) for kind in KINDS}
_TAKEN = {kind: _taken(kind) for kind in ENTERED}


Correction: Any = shape_by_table(
    "Correction",
    CorrectionBase,
    "What differs in an entry that is to be corrected; what is left out stays.",
    {named(name): tables.corrected(name) for name in (*NUMBERS, *WORDS)},
)
"""What differs in an entry; which fields were sent is what counts."""

AnyEntry: Any = Annotated[reduce(or_, _GIVEN.values()), Field(discriminator="kind")]
"""One entry, by its kind."""

NewEntry: Any = Annotated[reduce(or_, _TAKEN.values()), Field(discriminator="kind")]
"""What was done to a truck, by its kind."""


class Entries(Shape):
    """A part of a truck's service record."""

    entries: list[AnyEntry]
    """The entries, the last entered first."""
    next: str | None
    """Cursor of the next part; null: this is the last."""


def entry_shape(entry: Entry, *, superseded_by: int | None, counts: bool) -> Any:
    """Write an entry."""
    said: dict[str, Any] = {named(name): None for name in _of(entry.kind)}
    said |= {named(name): _flag(name, value) for name, value in entry.numbers.items()}
    said |= {named(name): word for name, word in entry.words.items()}
    return _GIVEN[entry.kind](
        id=entry.id,
        truck=entry.vehicle,
        kind=entry.kind,
        done_at=moment(entry.time_ms),
        entered_at=moment(entry.entered_ms),
        entered_by=entry.who,
        note=entry.note,
        supersedes_id=entry.supersedes,
        superseded_by_id=superseded_by,
        counts=counts,
        **said,
    )


def numbers_of(sent: Any) -> dict[str, float | None]:
    """Give the numbers that were sent, by the names of the record; None: take it out."""
    return {
        FIELDS[name]: None if value is None else float(value)
        for name, value in _said(sent)
        if FIELDS.get(name) in NUMBERS
    }


def words_of(sent: Any) -> dict[str, str]:
    """Give the words that were sent, by the names of the record."""
    return {
        FIELDS[name]: value
        for name, value in _said(sent)
        if FIELDS.get(name) in WORDS and value is not None
    }


def _said(sent: Any) -> list[tuple[str, Any]]:
    return [(name, getattr(sent, name)) for name in sent.model_fields_set]


def _flag(name: str, value: float) -> float | bool:
    return value == 1.0 if name in FLAGS else value
