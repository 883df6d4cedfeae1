"""``heatbook fleet``: the trucks of the store as they stand, and their service record."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Annotated

import msgspec
import typer
from rich.text import Text

from deploy import (
    file_commands,
    history_commands,
    record_commands,
    sample_command,
    truck_commands,
)
from deploy.database import read_only
from deploy.desk import Desk, desk_of
from deploy.options import Config
from deploy.printing import foreign, show, table, warn
from deploy.reading import Stored
from models.statement import Statement

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="The trucks, their fills and their service record.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """One truck as it stands, for a program.

    ``missing_samples`` counts values of the gateway's own counter that never came; ``seq`` is the
    highest up to which none is missing, None without a counter.
    """

    vehicle: str
    title: str
    registered: bool
    last_ms: int
    online: bool | None
    account: Statement
    seq: int | None
    missing_samples: int


@app.command("list")
def list_command(
    config: Config = None,
    as_json: Annotated[bool, typer.Option("--json", help="JSON lines, one a truck.")] = False,
) -> None:
    """List every truck that was heard: its account, what is unseen, and what never came."""
    desk = desk_of(config)
    with read_only(desk.store) as conn:
        trucks = desk.reader.trucks(conn)
    stale = sum(truck.standing == "out of date" for truck in trucks)
    if stale:
        warn(
            f"{stale} trucks are not shown: settings or models have changed since the daemon last "
            "computed them; it does so at its next start"
        )
    found = [(truck, standing_of(truck)) for truck in trucks if truck.standing == "good"]
    if as_json:
        for _, standing in found:
            typer.echo(msgspec.json.encode(standing).decode())
        return
    numbers = ("Life", "Distance", "unseen", "Samples", "missing")
    made = table("Truck", "Name", "Newest", *numbers, right=numbers, wide="Name")
    for truck, standing in found:
        made.add_row(*_row(desk, truck, standing))
    show(made)


def standing_of(truck: Stored) -> Standing:
    """Write how a truck stands that has an account."""
    held = truck.held
    if held is None:
        raise ValueError(f"{truck.name} has no account")
    return Standing(
        vehicle=truck.name,
        title=truck.vehicle.title,
        registered=truck.vehicle.registered,
        last_ms=held.last_ms,
        online=held.online,
        account=truck.statement,
        seq=held.sequence.gap_free,
        missing_samples=held.sequence.missing,
    )


def _row(desk: Desk, truck: Stored, standing: Standing) -> tuple[str | Text, ...]:
    newest = datetime.fromtimestamp(standing.last_ms / 1000, UTC).astimezone(desk.zone)
    title = truck.vehicle.title if truck.vehicle.registered else "(not in the fleet file)"
    return (
        truck.name,
        foreign(title),
        f"{newest:%m-%d %H:%M %Z}",
        f"{standing.account.life_used:.2%}",
        desk.units.length(standing.account.distance_km),
        desk.units.length(standing.account.unseen_km),
        f"{standing.account.samples:,}",
        f"{standing.missing_samples:,}" if standing.seq is not None else "no counter",
    )


for _commands in (
    record_commands,
    truck_commands,
    sample_command,
    history_commands,
    file_commands,
):
    app.add_typer(_commands.app)
