"""Service entries as CSV (RFC 4180), one row an entry, safe to open in a spreadsheet.

Numbers are plain. A text that a spreadsheet would take for a formula gets an apostrophe before it,
which reading takes away again. Files begin with the mark by which spreadsheets know UTF-8.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator, Sequence
from io import StringIO
from typing import NoReturn

from ingest import record_cells as cells
from ingest.entry import Entry
from ingest.entry_fields import RecordError
from ingest.formula import runs
from ingest.record_row import BadRecordFile, Defaults, Row, Told
from ingest.record_rows import entry_to_row, rows_to_entries

_MARK = "\ufeff"
_SEPARATORS = (",", ";", "\t")


def write(entries: Iterable[Entry]) -> bytes:
    """Write entries; what supersedes others must come with them. Columns that nobody fills are left out."""
    rows = [entry_to_row(entry) for entry in entries]
    filled = {column for row in rows for column in row}
    columns = [c for c in cells.COLUMNS if c in filled or c in cells.OWN]
    out = StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([_written(row.get(column, "")) for column in columns])
    return (_MARK + out.getvalue()).encode()


def read(data: bytes, defaults: Defaults) -> list[Told]:
    """Read entries; columns may be in any order and in the units of ``record_cells.OTHER_UNITS``.

    Parameters
    ----------
    data
        The file; separated by commas, semicolons or tabs.
    defaults
        What it leaves open.

    Raises
    ------
    BadRecordFile
        With everything that is wrong with it, by line and column.
    """
    lines = _lines(data)
    if not lines:
        _fail("line 1", "the file is empty", f"begin with the columns {', '.join(cells.OWN)}")
    (_, header), *rest = lines
    columns = [column.strip() for column in _without_tail(header, 0)]
    _check_header(columns)
    problems = [*_strange(columns)]
    rows: list[Row] = []
    for place, values in rest:
        cut = _without_tail(values, len(columns))
        if len(cut) == len(columns):
            rows.append(_row(place, columns, cut))
        else:
            problems.append(_ragged(place, len(cut), len(columns)))
    told: list[Told] = []
    try:
        told = rows_to_entries(rows, defaults)
    except BadRecordFile as error:
        problems += error.problems
    if problems:
        raise BadRecordFile(sorted(problems, key=_line))
    return told


def _lines(data: bytes) -> list[tuple[str, list[str]]]:
    """Part a file into rows with the line on which each begins; blank ones are left out."""
    try:
        text = data.decode().removeprefix(_MARK)
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        _fail(f"line {line}", f"byte {error.start} is not UTF-8", "save the file as UTF-8")
    head = text.partition("\n")[0]
    separator = max(_SEPARATORS, key=head.count)
    reader = csv.reader(StringIO(text, newline=""), delimiter=separator, strict=True)
    found = []
    line = 1
    try:
        for values in reader:
            if any(value.strip() for value in values):
                found.append((f"line {line}", values))
            line = reader.line_num + 1
    except csv.Error as error:
        mend = 'put texts with quotes or line ends in quotes, and write a quote within as ""'
        _fail(f"line {line}", f"not CSV: {error}", mend)
    return found


def _row(place: str, columns: Sequence[str], values: Sequence[str]) -> Row:
    filled = {
        column: _unwritten(value)
        for column, value in zip(columns, values, strict=True)
        if value and (value.strip() or column in cells.TEXTS)
    }
    known = {c: value for c, value in filled.items() if cells.unknown_column(c) is None}
    return Row(place=place, values=known, noun="column", places={})


def _without_tail(values: Sequence[str], wanted: int) -> Sequence[str]:
    """Leave out empty cells at the end of a line, down to as many cells as are wanted."""
    count = len(values)
    while count > wanted and not values[count - 1].strip():
        count -= 1
    return values[:count]


def _check_header(columns: Sequence[str]) -> None:
    """Refuse a header with which no row could be read."""
    missing = [column for column in cells.NEEDED if column not in columns]
    twice = sorted({column for column in columns if columns.count(column) > 1})
    problems = [
        *(("is missing", "add it", column) for column in missing),
        *(("stands twice", "take one of them out", column) for column in twice),
    ]
    if problems:
        raise BadRecordFile(
            [
                RecordError(what=what, where=f"line 1, column {column}", mend=mend)
                for what, mend, column in problems
            ]
        )


def _strange(columns: Sequence[str]) -> Iterator[RecordError]:
    for column in columns:
        where = f"line 1, column {column}"
        if not column:
            mend = "name it, or take it out"
            yield RecordError(what="the column has no name", where=where, mend=mend)
        elif (mend := cells.unknown_column(column) or "") != "":
            yield RecordError(what=f"nothing is called {column!r}", where=where, mend=mend)


def _ragged(place: str, found: int, wanted: int) -> RecordError:
    what = f"there are {found} cells for {wanted} columns"
    mend = "fill it up with empty cells, or put a text with the separator in it in quotes"
    return RecordError(what=what, where=place, mend=mend)


def _line(problem: RecordError) -> int:
    """Give the line on which a problem is."""
    return int(problem.where.removeprefix("line ").partition(",")[0])


def _written(value: str | float) -> str:
    if isinstance(value, str):
        return f"'{value}" if _marked(value) else value
    return cells.plain(float(value))


def _unwritten(value: str) -> str:
    return value[1:] if value.startswith("'") and _marked(value[1:]) else value


def _marked(text: str) -> bool:
    """Say whether a text is written with an apostrophe before it."""
    return text.startswith("'") or runs(text)


def _fail(where: str, what: str, mend: str) -> NoReturn:
    raise BadRecordFile([RecordError(what=what, where=where, mend=mend)])
