"""``heatbook quarantine``: what was refused, why, and putting it in again once mended."""

from __future__ import annotations

import os
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, NoReturn

import typer

from deploy.database import beside_daemon, read_only
from deploy.options import Config, fail
from deploy.printing import foreign, show, table
from deploy.settings import load_settings
from ingest import inbox, quarantine
from ingest.quarantine import Entry
from review.plain_text import harmless

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="List, show, put in again or drop messages that were refused.",
)

Store = Annotated[Path | None, typer.Option("--store", help="The store. Default: by settings.")]
EntryId = Annotated[int, typer.Argument(help="Number of the entry, as listed.")]


@app.command("list")
def list_command(
    config: Config = None,
    store: Store = None,
    vehicle: Annotated[str | None, typer.Option(help="Only of this truck.")] = None,
    reason: Annotated[str | None, typer.Option(help="Only for this reason.")] = None,
    limit: Annotated[int, typer.Option(help="At most so many.")] = 50,
) -> None:
    """List what was refused, newest first."""
    with read_only(_store(config, store)) as conn:
        entries = quarantine.listing(conn, vehicle=vehicle, reason=reason, limit=limit)
        totals = quarantine.totals(conn)
    made = table(
        "No.",
        "Last came",
        "Topic",
        "Reason",
        "Field",
        "Times",
        right=("No.", "Times"),
        wide=("Last came", "Topic", "Reason", "Field"),
    )
    for entry in entries:
        made.add_row(
            str(entry.id),
            _moment(entry.last_received_ms),
            foreign(entry.topic),
            entry.reason,
            foreign(entry.field),
            str(entry.times),
        )
    show(made)
    typer.echo(
        f"{totals.entries} kept of {totals.refused} refused; {totals.dropped} dropped to keep "
        "the size."
    )


@app.command("show")
def show_command(entry_id: EntryId, config: Config = None, store: Store = None) -> None:
    """Show one entry: why it was refused, how to mend it, and its bytes."""
    with read_only(_store(config, store)) as conn:
        entry = quarantine.show(conn, entry_id)
    if entry is None:
        _none(entry_id)
    typer.echo(f"topic     {harmless(entry.topic)}")
    typer.echo(f"reason    {entry.reason} ({entry.field})")
    typer.echo(f"why       {entry.detail}")
    typer.echo(
        f"came      {entry.times} times, {_moment(entry.first_received_ms)} to "
        f"{_moment(entry.last_received_ms)}"
    )
    typer.echo("payload   " + harmless(entry.raw.decode("utf-8", "backslashreplace")))


@app.command("reingest")
def reingest_command(
    entry_id: EntryId,
    config: Config = None,
    store: Store = None,
    payload: Annotated[
        Path | None,
        typer.Option(help="The mended payload (- for standard input). Default: as it was."),
    ] = None,
    topic: Annotated[
        str | None, typer.Option(help="The mended topic. Default: as it was.")
    ] = None,
) -> None:
    """Put an entry in again, mended or not; what is still bad comes back here with its reason."""
    mended = None if payload is None else _read(payload)
    with beside_daemon(_store(config, store)) as tx:
        entry = quarantine.take(tx, entry_id)
        if entry is None:
            _none(entry_id)
        inbox.put(tx, topic=topic or entry.topic, payload=_payload(entry, mended))
    typer.echo(f"entry {entry_id} waits for the daemon, which takes it in within a second")


@app.command("drop")
def drop_command(
    entry_ids: Annotated[list[int], typer.Argument(help="Numbers of the entries.")],
    config: Config = None,
    store: Store = None,
) -> None:
    """Throw entries away for good."""
    with beside_daemon(_store(config, store)) as tx:
        dropped = quarantine.drop(tx, entry_ids)
    typer.echo(f"{dropped} of {len(entry_ids)} dropped")


def _payload(entry: Entry, mended: bytes | None) -> bytes:
    return entry.raw if mended is None else mended


def _read(payload: Path) -> bytes:
    if str(payload) == "-":
        return sys.stdin.buffer.read()
    try:
        return payload.read_bytes()
    except OSError as error:
        fail(f"cannot read {payload}: {error.strerror}", 1)


def _store(config: Path | None, store: Path | None) -> Path:
    if store is not None:
        return store
    return load_settings(config=config, env=os.environ).settings.store.path


def _moment(time_ms: int) -> str:
    return f"{datetime.fromtimestamp(time_ms / 1000, UTC):%Y-%m-%d %H:%M:%S}Z"


def _none(entry_id: int) -> NoReturn:
    typer.echo(
        f"no entry {entry_id} in quarantine; 'heatbook quarantine list' names them", err=True
    )
    raise typer.Exit(1)
