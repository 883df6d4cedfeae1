"""``heatbook history``: where samples lie, the move to the archive, its check, and files for others."""

from __future__ import annotations

from contextlib import closing
from typing import Annotated

import msgspec
import typer
from rich.text import Text

from alerts.phrases import size_words
from deploy import logs
from deploy.archive_list import Line, lines
from deploy.database import Database, StoreBusy, beside_daemon, read_only
from deploy.desk import Desk, desk_of
from deploy.export_command import export_command
from deploy.history_keeper import Move, ask, history_move, last_move, note
from deploy.history_move import Moved
from deploy.options import Config
from deploy.printing import foreign, say, show, table, warn
from deploy.waiting import until
from ingest import examining, orphans, postponed, sealed
from ingest.archive import Archive, ArchiveError
from ingest.sealed import Sealed, archive_of
from review import measures

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Where samples lie: the store and the archive; moving, checking, exporting them.",
)

app.command("export")(export_command)

PATIENCE_S = 24 * 3600.0
"""How long the command waits for a daemon's move [s]; it may be stopped before, the move goes on."""


@app.command("list")
def list_command(
    as_json: Annotated[bool, typer.Option("--json", help="JSON lines, one a truck.")] = False,
    config: Config = None,
) -> None:
    """List how much history each truck has, and how much of it lies in the archive."""
    desk = desk_of(config)
    with read_only(desk.store) as conn:
        found = lines(conn)
        last = last_move(conn)
        waits = postponed.waiting(conn)
    if as_json:
        for line in found:
            typer.echo(msgspec.json.encode(line).decode())
        return
    made = table(
        "Truck", "From", "To", "Months sealed", "Samples in them", "Rows in the store",
        right=("Samples in them", "Rows in the store"), wide=("Months sealed",),
    )  # fmt: skip
    for line in found:
        made.add_row(*_row(desk, line))
    show(made)
    if last is not None and last.done_ms is not None:
        say(f"Last move: {measures.day(last.done_ms, desk.zone)}. {_words(_moved(last))}")
    if waits.since_ms is not None:
        say(
            f"Late samples that wait until the archive can be read: {waits.samples:,} of "
            f"{waits.trucks} trucks, since {measures.day(waits.since_ms, desk.zone)}. "
            "They count by themselves then."
        )


@app.command("move")
def move_command(config: Config = None) -> None:
    """Move now what is due; a running daemon does it, and this waits for it."""
    desk = desk_of(config)
    with read_only(desk.store):
        pass  # says so when there is none
    try:
        database = Database(desk.store, synchronous=desk.settings.store.synchronous)
    except StoreBusy:
        moved = _by_daemon(desk)
    else:
        logs.set_up("critical")  # what could not be done is told below
        with closing(database):
            moved = _here(desk, database)
    say(_words(moved))
    for problem in moved.problems:
        warn(problem)
    raise typer.Exit(1 if moved.problems else 0)


@app.command("verify")
def verify_command(
    mend: Annotated[
        bool, typer.Option("--mend", help="Make sums anew that are missing or damaged.")
    ] = False,
    config: Config = None,
) -> None:
    """Read every file of the archive and compare it with what the store says of it."""
    desk = desk_of(config)
    with read_only(desk.store) as conn:
        trucks = conn.execute("SELECT id FROM vehicle ORDER BY name").fetchall()
        kept = [each for (truck,) in trucks for each in sealed.months(conn, vehicle_id=truck)]
        archive = archive_of(conn) if kept else None
    problems = []
    for each in kept:
        found = _problem(desk, archive, each, mend=mend)
        problems += [] if found is None else [found]
    if archive is not None:
        with read_only(desk.store) as conn:
            loose = orphans.find(conn, archive)
        problems += [each.problem for each in loose if each.problem is not None]
    for problem in problems:
        warn(problem)
    say(
        f"{len(kept)} months looked at: "
        + (f"{len(problems)} problems." if problems else "all are as they were sealed.")
    )
    raise typer.Exit(1 if problems else 0)


def _problem(desk: Desk, archive: Archive | None, one: Sealed, *, mend: bool) -> str | None:
    """Look at one month; the store is asked only where its sums are made anew."""
    if archive is None:
        return None
    found = examining.problem(archive, one)
    if found is None or not mend:
        return found
    try:
        with read_only(desk.store) as conn:
            examining.mend_sums(conn, archive, one)
    except ArchiveError as error:
        return str(error)
    return examining.problem(archive, one)


def _by_daemon(desk: Desk) -> Moved:
    with beside_daemon(desk.store) as tx:
        number = ask(tx, desk.now_ms())
    say("The daemon moves history now; it goes on with that when you stop waiting.")

    def done() -> bool:
        with read_only(desk.store) as conn:
            last = last_move(conn)
        return last is not None and last.id >= number and last.done_ms is not None

    until(done, PATIENCE_S)
    with read_only(desk.store) as conn:
        return _moved(last_move(conn))


def _here(desk: Desk, database: Database) -> Moved:
    move = history_move(desk.settings, desk.fleet, database, now_ms=desk.reader.now_ms)
    with database.write() as tx:
        number = ask(tx, desk.now_ms())
    moved = move.run()
    with database.write() as tx:
        note(tx, number, moved, desk.now_ms())
    return moved


def _moved(last: Move | None) -> Moved:
    if last is None:
        return Moved()
    return Moved(
        months=last.months,
        samples=last.samples,
        dropped=last.dropped,
        problems=list(last.problems),
    )


def _words(moved: Moved) -> str:
    """Say what came of a move."""
    told = [
        f"{moved.months} months sealed with {moved.samples} samples"
        if moved.months
        else "No month was to be sealed"
    ]
    if moved.dropped:
        told.append(f"{moved.dropped} months dropped for good")
    if moved.problems:
        told.append(f"{len(moved.problems)} problems, their samples stay in the store")
    return "; ".join(told) + "."


def _row(desk: Desk, line: Line) -> tuple[str | Text, ...]:
    def day(time_ms: int | None) -> str:
        return "" if time_ms is None else measures.day(time_ms, desk.zone)

    months = f"{line.months} ({size_words(line.bytes)})" if line.months else "none"
    if line.dropped_until_ms is not None:
        months += f"; dropped up to {day(line.dropped_until_ms)}"
    return (
        foreign(line.truck),
        day(line.first_ms),
        day(line.last_ms),
        months,
        str(line.sealed_samples),
        str(line.store_rows),
    )
