"""``heatbook history export``: a truck's history as a file for others."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, BinaryIO, Literal

import typer

from deploy.database import read_only
from deploy.desk import Desk, desk_of
from deploy.options import Config
from deploy.printing import say, warn
from review.entry_rules import UnknownTruck, known_trucks
from review.history_export import SHEET_ROWS, Wanted, csv_parts, write_parquet
from review.problems import Mistake

Details = Literal["raw", "1min", "1h"]


def export_command(
    truck: Annotated[str, typer.Argument(help="Name of the truck.")],
    file: Annotated[Path, typer.Argument(help="What to write: NAME.csv or NAME.parquet.")],
    since: Annotated[
        str | None, typer.Option(help="From then on: a date (fleet time) or a time.")
    ] = None,
    until_: Annotated[
        str | None, typer.Option("--until", help="Up to then; a date is included.")
    ] = None,
    step: Annotated[
        Details,
        typer.Option(help="raw: every sample; 1min, 1h: least, mean, greatest, time in bands."),
    ] = "raw",
    mark: Annotated[
        bool, typer.Option("--bom", help="CSV: begin with the mark some spreadsheets want.")
    ] = False,
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="Write over a file that is there.")
    ] = False,
    config: Config = None,
) -> None:
    """Write a truck's history as a file: CSV for spreadsheets, Parquet for programs."""
    desk = desk_of(config)
    wanted = _wanted(desk, truck, since, until_, step)
    writers: dict[str, Callable[[BinaryIO], int]] = {
        ".csv": lambda out: _write_csv(desk, wanted, out, mark=mark),
        ".parquet": lambda out: _write_parquet(desk, wanted, out),
    }
    if file.suffix not in writers:
        raise Mistake(
            f"{file} is of no known form; call it {file.stem}.csv or {file.stem}.parquet"
        )
    if file.exists() and not overwrite:
        raise Mistake(f"{file} is there already; name another file, or --overwrite")
    rows = _whole(file, writers[file.suffix])
    say(f"{rows} rows in {file}.")
    if file.suffix == ".csv" and rows >= SHEET_ROWS:
        warn(
            f"A spreadsheet holds {SHEET_ROWS - 1} rows below its heading and would leave out the "
            "rest: name a shorter span, or --step 1min."
        )


def _wanted(
    desk: Desk, truck: str, since: str | None, until_text: str | None, step: Details
) -> Wanted:
    with read_only(desk.store) as conn:
        known = known_trucks(conn, desk.fleet)
    if truck not in known:
        raise UnknownTruck(truck, known)
    first_ms, end_ms = desk.edge(since), desk.edge(until_text, days=1)
    return Wanted(
        truck=truck,
        first_ms=-(2**62) if first_ms is None else first_ms,
        last_ms=2**62 if end_ms is None else end_ms - 1,
        detail=step,
        max_gap_ms=round(desk.settings.models.max_gap_s * 1000.0),
    )


def _write_csv(desk: Desk, wanted: Wanted, out: BinaryIO, *, mark: bool) -> int:
    rows = 0
    with read_only(desk.store) as conn:
        for count, part in csv_parts(conn, wanted, desk.zone, mark=mark):
            out.write(part)
            rows += count
    return rows


def _write_parquet(desk: Desk, wanted: Wanted, out: BinaryIO) -> int:
    with read_only(desk.store) as conn:
        return write_parquet(conn, wanted, out)


def _whole(file: Path, write: Callable[[BinaryIO], int]) -> int:
    """Write a file that appears when it is whole, or not at all."""
    unfinished = file.with_name(f"{file.name}.{os.getpid()}.unfinished")
    try:
        with unfinished.open("wb") as out:
            rows = write(out)
        unfinished.replace(file)
    except OSError as error:
        raise Mistake(f"cannot write {file}: {error.strerror or error}") from error
    finally:
        unfinished.unlink(missing_ok=True)
    return rows
