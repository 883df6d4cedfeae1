"""Service entries as TOML: one table ``[[entries]]`` an entry, its keys the columns of the CSV."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from ingest import record_cells as cells
from ingest.entry import Entry
from ingest.entry_fields import RecordError
from ingest.record_row import BadRecordFile, Defaults, Row, Told
from ingest.record_rows import entry_to_row, rows_to_entries

_TABLE = "entries"
_TIMES = ("time", "entered")

# Whatever may hold a line that looks like a table or a key comes first and swallows it.
_MARKS = re.compile(
    r'"""(?:\\.|[^\\])*?"""'
    r"|'''.*?'''"
    r'|(?P<key>^[ \t]*(?:[A-Za-z0-9_-]+|"[^"\n]*"|\'[^\'\n]*\')[ \t]*=)'
    rf'|(?P<table>^[ \t]*\[\[[ \t]*"?{_TABLE}"?[ \t]*\]\])'
    r'|"(?:\\.|[^"\\\n])*"'
    r"|'[^'\n]*'"
    r"|\#[^\n]*",
    re.DOTALL | re.MULTILINE,
)


def write(entries: Iterable[Entry]) -> bytes:
    """Write entries; what supersedes others must come with them."""
    return "\n".join(map(_table, entries)).encode()


def read(data: bytes, defaults: Defaults) -> list[Told]:
    """Read entries; keys may be in the units of ``record_cells.OTHER_UNITS``.

    Parameters
    ----------
    data
        The file.
    defaults
        What it leaves open.

    Raises
    ------
    BadRecordFile
        With everything that is wrong with it, by line and key.
    """
    text, document = _parsed(data)
    problems = [*_strange(document)]
    tables = document.get(_TABLE, [])
    if not isinstance(tables, list) or not all(isinstance(each, dict) for each in tables):
        mend = f"write each entry as a table of its own, under [[{_TABLE}]]"
        problems.append(RecordError(what="is no list of tables", where=_TABLE, mend=mend))
        raise BadRecordFile(problems)
    told: list[Told] = []
    try:
        told = rows_to_entries(_rows(tables, text), defaults)
    except BadRecordFile as error:
        problems += error.problems
    if problems:
        raise BadRecordFile(problems)
    return told


def _table(entry: Entry) -> str:
    lines = [f"{key} = {_written(key, value)}\n" for key, value in entry_to_row(entry).items()]
    return f"[[{_TABLE}]]\n{''.join(lines)}"


def _written(key: str, value: str | float) -> str:
    if not isinstance(value, str):
        return cells.plain(float(value))
    # What JSON escapes TOML escapes alike; what only TOML forbids is in no entry.
    return value if key in _TIMES else json.dumps(value, ensure_ascii=False)


def _parsed(data: bytes) -> tuple[str, dict[str, Any]]:
    try:
        text = data.decode().removeprefix("\ufeff")
        return text, tomllib.loads(text)
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        where, what = f"line {line}", f"byte {error.start} is not UTF-8"
        problem = RecordError(what=what, where=where, mend="save the file as UTF-8")
    except (ValueError, RecursionError) as error:
        what, _, place = str(error).rpartition(" (at ")
        where = place.removesuffix(")") or "the file"
        problem = RecordError(what=f"not TOML: {what}", where=where, mend="mend that line")
    raise BadRecordFile([problem])


def _strange(document: Mapping[str, Any]) -> Iterator[RecordError]:
    for key in document:
        if key != _TABLE:
            mend = f"entries stand under [[{_TABLE}]]; rename it, or take it out"
            yield RecordError(what=f"nothing is called {key!r}", where=key, mend=mend)


def _rows(tables: Sequence[Mapping[str, object]], text: str) -> list[Row]:
    places = _places(text)
    if len(places) != len(tables):  # written in another way, as an array of inline tables
        places = [{"": f"entry {number}"} for number in range(1, len(tables) + 1)]
    return [
        Row(place=place.pop(""), values=table, noun="key", places=place)
        for table, place in zip(tables, places, strict=True)
    ]


def _places(text: str) -> list[dict[str, str]]:
    """Find the line of each table, under the name "", and of each of its keys."""
    found: list[dict[str, str]] = []
    line, position = 1, 0
    for mark in _MARKS.finditer(text):
        line += text.count("\n", position, mark.start())
        position = mark.start()
        if mark["table"]:
            found.append({"": f"line {line}"})
        elif mark["key"] and found:
            name = mark["key"].rstrip("= \t").strip(" \t\"'")
            found[-1].setdefault(name, f"line {line}")
    return found
