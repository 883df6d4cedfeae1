"""``heatbook fleet export`` and ``import``: the service record as CSV or TOML."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from alerts.phrases import size_words
from deploy import record_options as options
from deploy.database import read_only
from deploy.desk import desk_of, enter, uncounted
from deploy.options import Config, fail
from deploy.printing import say, warn
from ingest.record import Entry
from ingest.record_import import Brought
from review.fleet_files import fleet_export, fleet_import
from review.record_book import Book

app = typer.Typer(rich_markup_mode=None)

_File = Annotated[Path, typer.Argument(metavar="FILE", help="Its name ends in .csv or .toml.")]


@app.command("export")
def export_command(
    file: _File,
    trucks: Annotated[
        list[str] | None, typer.Option("--truck", help="Only this truck; may be repeated.")
    ] = None,
    with_fleet_file: Annotated[
        bool,
        typer.Option(
            help="Also what the fleet file says of its trucks, to move them elsewhere."
        ),
    ] = False,
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="Write over a file that is there.")
    ] = False,
    config: Config = None,
) -> None:
    """Write the service record into a file: all that was ever entered."""
    desk = desk_of(config)
    with read_only(desk.store) as conn:
        for truck in trucks or ():
            desk.reader.truck(conn, truck)  # says so when nobody knows it
        data = fleet_export(
            conn,
            desk.fleet,
            file,
            trucks=trucks,
            with_fleet_file=with_fleet_file,
            now_ms=desk.now_ms(),
        )
    try:
        with file.open("wb" if overwrite else "xb") as out:
            out.write(data)
    except FileExistsError:
        fail(f"{file} is there already; name another, or say --overwrite", 1)
    except OSError as error:
        fail(f"cannot write {file}: {error.strerror}", 1)
    say(f"The service record is in {file}, {size_words(len(data))}.")


@app.command("import")
def import_command(file: _File, who: options.Who = None, config: Config = None) -> None:
    """Enter what a file tells that the record does not hold yet: all of it, or nothing."""
    desk = desk_of(config, who)
    try:
        data = file.read_bytes()
    except OSError as error:
        fail(f"cannot read {file}: {error.strerror}", 1)
    brought: list[Brought] = []

    def work(book: Book) -> tuple[Entry, ...]:
        brought.append(fleet_import(book, file, data, zone=desk.zone))
        return brought[0].added

    added = enter(desk, work, first=True)
    trucks = len({entry.vehicle for entry in added})
    say(
        f"New entries: {len(added)}, of trucks: {trucks}. In the record already: "
        f"{brought[0].known}."
    )
    waiting = uncounted(desk.store, added)
    if waiting:
        warn(
            f"Trucks whose entries do not count yet: {len(waiting)}; the daemon takes up one truck after "
            "the other"
        )
