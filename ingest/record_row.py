"""One row of a file of service entries, and the entry that it tells."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, tzinfo

from ingest.entry import Entry
from ingest.entry_fields import RecordError


class BadRecordFile(Exception):
    """A file of entries cannot be taken in; carries every problem found."""

    def __init__(self, problems: Sequence[RecordError]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(map(str, self.problems)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Defaults:
    """What a file leaves open: who says so, when it is entered [Unix ms], the zone of its days."""

    who: str
    now_ms: int
    zone: tzinfo = UTC


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One row as it stands in a file: what is filled in, by column (``noun``), and its place.

    ``places`` holds the places of columns that are not where the row begins.
    """

    place: str
    values: Mapping[str, object]
    noun: str
    places: Mapping[str, str]

    def at(self, column: str) -> str:
        """Say where a column of this row is."""
        return f"{self.places.get(column, self.place)}, {self.noun} {column}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """An entry as a file tells it: without its id; it supersedes the row at ``supersedes``, if any.

    ``columns`` names the column in which a number stood, where that is not the number's name.
    """

    entry: Entry
    row: Row
    supersedes: int | None
    columns: Mapping[str, str]

    def placed(self, error: RecordError) -> RecordError:
        """Give an error of the entry with its place in the file."""
        where = self.row.at(self.columns.get(error.where, error.where))
        return RecordError(what=error.what, where=where, mend=error.mend)
