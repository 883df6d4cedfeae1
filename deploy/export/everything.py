"""Writing everything that a store holds into a folder: CSV, Parquet for samples, a README of the columns."""

from __future__ import annotations

import csv
import math
import shutil
import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import fields
from pathlib import Path
from typing import Any

from alerts.phrases import number_of
from deploy.backup import files
from deploy.export.account_columns import ACCOUNT_COLUMNS
from deploy.export.sheets import SHEETS, Sheet
from ingest import postponed
from ingest.formula import runs
from ingest.held import NEVER_MS
from models.sample import SIGNALS
from models.statement import Statement
from models.units import rfc3339
from review.history_export import Wanted, write_parquet
from review.problems import Mistake
from review.reading import Reader
from review.store import Readable

_ACCOUNT = tuple(each.name for each in fields(Statement) if each.name != "causes")

_INTRODUCTION = (
    "Everything that a Heatbook store held at one moment, for any program. CSV is RFC 4180 in UTF-8 with "
    "commas; times are UTC as RFC 3339 writes them; an empty cell is a value that there is none of. A text "
    "that a spreadsheet could run as a formula, or that begins with an apostrophe, has one more apostrophe "
    "before it."
)

UNFINISHED = ".unfinished"


def export(store: Readable, reader: Reader, folder: Path, *, max_gap_ms: int) -> dict[str, int]:
    """Write it; the folder appears when it is whole. Give the rows of each file.

    Raises
    ------
    Mistake
        The folder has something in it, or cannot be written.
    ArchiveError
        A month of the archive cannot be read.
    """
    if folder.exists() and any(folder.iterdir()):
        raise Mistake(f"{folder} has something in it already; name another folder")
    unfinished = folder.with_name(folder.name + UNFINISHED)
    shutil.rmtree(unfinished, ignore_errors=True)
    try:
        (unfinished / "samples").mkdir(parents=True)
        rows = _sheets(store, unfinished)
        rows["accounts.csv"] = _accounts(store, reader, unfinished)
        rows |= _samples(store, unfinished, max_gap_ms)
        with store.read() as conn:
            left_out = postponed.waiting(conn).samples
        (unfinished / "README.md").write_text(readme(rows, left_out), encoding="utf-8")
        files.sync_tree(unfinished)
        if folder.exists():
            folder.rmdir()
        unfinished.rename(folder)
    except OSError as error:
        raise Mistake(f"cannot write {folder}: {error.strerror or error}") from error
    finally:
        shutil.rmtree(unfinished, ignore_errors=True)
    return rows


def cell(value: object) -> str:
    """Write a cell; a text that a spreadsheet could take for a formula gets an apostrophe before it."""
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    if not isinstance(value, str):
        return repr(value) if isinstance(value, float) else str(value)
    return f"'{value}" if value.startswith("'") or runs(value) else value


def readme(rows: dict[str, int], left_out: int = 0) -> str:
    """Say what each file and column is; ``left_out``: samples that wait for the archive."""
    lines = [
        "# What this is",
        "",
        _INTRODUCTION,
        "",
    ]
    if left_out:
        lines += [
            (
                f"Not in it: {number_of(left_out, 'late sample')} of months in the archive, taken in "
                "while that was away. They count within seconds once it is back: export again then."
            ),
            "",
        ]
    for sheet in SHEETS:
        lines += _about(f"{sheet.name}.csv", sheet.about, rows, sheet.columns)
    meanings = [
        ("truck", "name of the truck"),
        ("standing", "good, never heard, or out of date"),
    ]
    meanings += [(name, ACCOUNT_COLUMNS[name]) for name in _ACCOUNT]
    lines += _about(
        "accounts.csv", "the heat account of each truck's fluid, now", rows, meanings
    )
    samples = sum(count for name, count in rows.items() if name.startswith("samples/"))
    lines += [
        "## samples/TRUCK.parquet",
        "",
        f"Every sample, in order of time, a file a truck: {number_of(samples, 'row')} in all.",
        "",
        "| column | meaning |",
        "|---|---|",
        "| `time` | timestamp, ms, UTC |",
    ]
    lines += [f"| `{each.name}` | {each.meaning} [{each.unit}] |" for each in SIGNALS]
    return "\n".join(lines) + "\n"


def _about(
    name: str, about: str, rows: dict[str, int], columns: Iterable[tuple[str, str]]
) -> list[str]:
    told = [
        f"## {name}",
        "",
        f"{about[0].upper()}{about[1:]}: {number_of(rows[name], 'row')}.",
        "",
    ]
    told += ["| column | meaning |", "|---|---|"]
    return [*told, *(f"| `{column}` | {meaning} |" for column, meaning in columns), ""]


def _sheets(store: Readable, folder: Path) -> dict[str, int]:
    with store.read() as conn:  # one moment for all of them
        return {
            f"{sheet.name}.csv": _write(
                folder / f"{sheet.name}.csv",
                [column for column, _ in sheet.columns],
                _rows(conn, sheet),
            )
            for sheet in SHEETS
        }


def _rows(conn: sqlite3.Connection, sheet: Sheet) -> Iterable[list[object]]:
    found = conn.execute(sheet.sql)
    times = [name.endswith("_ms") for name, *_ in found.description]
    for row in found:
        yield [
            _time(value) if is_time else value
            for value, is_time in zip(row, times, strict=True)
        ]


def _time(value: Any) -> str | None:
    return None if value is None or value <= NEVER_MS else rfc3339(value)


def _accounts(store: Readable, reader: Reader, folder: Path) -> int:
    with store.read() as conn:
        trucks = reader.trucks(conn)
    rows = []
    for each in trucks:
        said = None if each.state is None else each.statement
        numbers = [None if said is None else getattr(said, name) for name in _ACCOUNT]
        rows.append([each.name, each.standing, *numbers])
    return _write(folder / "accounts.csv", ["truck", "standing", *_ACCOUNT], rows)


def _samples(store: Readable, folder: Path, max_gap_ms: int) -> dict[str, int]:
    with store.read() as conn:
        trucks = [row[0] for row in conn.execute("SELECT name FROM vehicle ORDER BY name")]
    rows = {}
    for truck in trucks:
        name = f"samples/{truck}.parquet"
        wanted = Wanted(truck=truck, first_ms=-(2**62), last_ms=2**62, max_gap_ms=max_gap_ms)
        with store.read() as conn, (folder / name).open("wb") as file:
            rows[name] = write_parquet(conn, wanted, file)
    return rows


def _write(path: Path, heading: Sequence[str], rows: Iterable[Sequence[object]]) -> int:
    count = 0
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\r\n")
        writer.writerow(heading)
        for row in rows:
            writer.writerow([cell(value) for value in row])
            count += 1
    return count
