"""Rows of a file of service entries to entries, and back, whatever the form of the file.

Every fault of a file is found before anything is said; each with its place and how to mend it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeVar

from ingest import record_cells as cells
from ingest.entry import AHEAD_MS, Entry, complete, examine_entry
from ingest.entry_fields import KINDS, NUMBERS, WORDS, RecordError
from ingest.record_links import Links
from ingest.record_row import BadRecordFile, Defaults, Row, Told
from models.units import rfc3339

_T = TypeVar("_T")


def rows_to_entries(rows: Sequence[Row], defaults: Defaults) -> list[Told]:
    """Read rows.

    Raises
    ------
    BadRecordFile
        With everything that is wrong with them.
    """
    problems: list[RecordError] = []
    links = Links(rows)
    told = []
    for index, row in enumerate(rows):
        reader = _RowReader(row, defaults)
        told.append(reader.read(links.target(index)))
        problems += [*reader.problems, *links.problems(index)]
    if problems:
        raise BadRecordFile(problems)
    return told


def entry_to_row(entry: Entry) -> dict[str, str | float]:
    """Write an entry as a row: what is filled in, by column, in the order of ``COLUMNS``."""
    filled: dict[str, str | float | None] = {
        "id": entry.id,
        "vehicle": entry.vehicle,
        "kind": entry.kind,
        "time": rfc3339(entry.time_ms),
        **entry.numbers,
        **entry.words,
        "note": entry.note or None,
        "who": entry.who,
        "entered": rfc3339(entry.entered_ms),
        "supersedes": entry.supersedes,
        "key": entry.key,
    }
    row = ((column, filled.get(column)) for column in cells.COLUMNS)
    return {column: value for column, value in row if value is not None}


class _RowReader:
    """Reads one row and collects what is wrong with it."""

    def __init__(self, row: Row, defaults: Defaults) -> None:
        self.problems: list[RecordError] = []
        self._row = row
        self._defaults = defaults
        self._columns: dict[str, str] = {}
        self._unread = False

    def read(self, supersedes: int | None) -> Told:
        for column in self._row.values:
            if (mend := cells.unknown_column(column)) is not None:
                self._note(column, f"nothing is called {column!r}", mend)
        for column in cells.NEEDED:
            if column not in self._row.values:
                self._note(column, "is missing", "fill it in")
        entry = complete(self._entry(supersedes))
        told = Told(entry=entry, row=self._row, supersedes=supersedes, columns=self._columns)
        noted = {problem.where for problem in self.problems}
        found = [
            told.placed(error) for error in examine_entry(entry) if self._tells(error, entry)
        ]
        self.problems += [error for error in found if error.where not in noted]
        return told

    def _entry(self, supersedes: int | None) -> Entry:
        now_ms = self._defaults.now_ms
        entered_ms = self._cell("entered", self._moment, now_ms)
        if entered_ms > now_ms + AHEAD_MS:
            self._note("entered", "lies in the future", "correct it, or leave it out")
        return Entry(
            vehicle=self._cell("vehicle", cells.name, ""),
            kind=self._cell("kind", cells.name, ""),
            time_ms=self._cell("time", self._moment, entered_ms),
            numbers=self._numbers(),
            words={
                word: self._cell(word, cells.text, "")
                for word in WORDS
                if word in self._row.values
            },
            note=self._cell("note", cells.text, ""),
            who=self._cell("who", cells.text, self._defaults.who),
            entered_ms=entered_ms,
            supersedes=supersedes,
            key=self._cell("key", cells.text, None),
        )

    def _numbers(self) -> dict[str, float]:
        found: dict[str, float] = {}
        for column, value in self._row.values.items():
            name = cells.number_of(column)
            if name not in NUMBERS:
                continue
            if name in self._columns:
                what = f"says again what {self._columns[name]} says"
                self._note(column, what, "fill in one of them")
            self._columns[name] = column
            try:
                found[name] = cells.number(column, value)
            except ValueError as error:
                self._wrong(column, error)
                self._unread = True
        return found

    def _tells(self, error: RecordError, entry: Entry) -> bool:
        """Say whether an error tells anything: what could not be read may be all that is missing."""
        return not (self._unread and error.where == "kind" and entry.kind in KINDS)

    def _moment(self, value: object) -> int:
        return cells.moment_ms(value, self._defaults.zone)

    def _cell(self, column: str, read: Callable[[object], _T], otherwise: _T) -> _T:
        if column not in self._row.values:
            return otherwise
        try:
            return read(self._row.values[column])
        except ValueError as error:
            self._wrong(column, error)
            return otherwise

    def _wrong(self, column: str, error: ValueError) -> None:
        what, _, mend = str(error).partition("; ")
        self._note(column, what, mend)

    def _note(self, column: str, what: str, mend: str) -> None:
        self.problems.append(RecordError(what=what, where=self._row.at(column), mend=mend))
