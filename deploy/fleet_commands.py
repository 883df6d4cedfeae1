"""``heatbook fleet``: the trucks of the store, as they stand."""

from __future__ import annotations

import os
import sqlite3
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Annotated

import msgspec
import typer
from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table

from deploy.database import read_only
from deploy.fleet import fleet_of
from deploy.model_version import model_version
from deploy.options import Config
from deploy.settings import load_settings
from deploy.trucks import courses_of
from ingest.held import basis_of, load_sequence, unpack
from ingest.record import effective
from models.fleet import Fleet
from models.layout import record
from models.statement import Statement, statement

app = typer.Typer(
    no_args_is_help=True, rich_markup_mode=None, help="The trucks and their fills."
)


@app.callback()
def _group() -> None:
    """Keep ``list`` a command of its own while it is the only one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """One truck as it stands in the store.

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
    loaded = load_settings(config=config, env=os.environ)
    settings = loaded.settings
    fleet = fleet_of(loaded)
    with read_only(settings.store.path) as conn:
        trucks = standings(
            conn, fleet, settings.models.max_gap_s, settings.models.silent_after_s
        )
        (heard,) = conn.execute("SELECT count(*) FROM vehicle_state").fetchone()
    if heard > len(trucks):
        typer.echo(
            f"{heard - len(trucks)} trucks are not shown: settings or models have changed since "
            "the daemon last computed them; it does so at its next start",
            err=True,
        )
    if as_json:
        for truck in trucks:
            typer.echo(msgspec.json.encode(truck).decode())
        return
    units = settings.fleet.units.units()
    table = Table(box=SIMPLE_HEAD, padding=(0, 1, 0, 0), expand=True)
    for heading in (
        "Truck",
        "Name",
        "Newest",
        "Life",
        "Distance",
        "unseen",
        "Samples",
        "missing",
    ):
        left = heading in ("Truck", "Name", "Newest")
        table.add_column(
            heading,
            justify="left" if left else "right",
            no_wrap=True,
            overflow="ellipsis",
            ratio=1 if heading == "Name" else None,
        )
    for truck in trucks:
        newest = datetime.fromtimestamp(truck.last_ms / 1000, UTC)
        table.add_row(
            truck.vehicle,
            truck.title if truck.registered else "(not in the fleet file)",
            f"{newest.astimezone(settings.fleet.zone):%m-%d %H:%M %Z}",
            f"{truck.account.life_used:.2%}",
            units.length(truck.account.distance_km),
            units.length(truck.account.unseen_km),
            f"{truck.account.samples:,}",
            f"{truck.missing_samples:,}" if truck.seq is not None else "no counter",
        )
    Console().print(table)


def standings(
    conn: sqlite3.Connection, fleet: Fleet, max_gap_s: float, silent_after_s: float
) -> list[Standing]:
    """Read how every truck of the store stands, by name; none whose state is out of date."""
    courses = courses_of(fleet, max_gap_s=max_gap_s, silent_after_s=silent_after_s)
    rows = conn.execute(
        "SELECT vehicle.id, name, online, time_ms, basis, state FROM vehicle "
        "JOIN vehicle_state ON vehicle_id = vehicle.id ORDER BY name"
    ).fetchall()
    version = model_version()
    found: list[Standing] = []
    for vehicle_id, name, online, last_ms, basis, body in rows:
        course = courses(name, effective(conn, name, taken_only=True))
        if basis != basis_of(course, version):
            continue  # of other settings or models; the daemon computes it anew at its start
        sequence = load_sequence(conn, vehicle_id)
        state = unpack(body)
        account = record(state).truck.account
        found.append(
            Standing(
                vehicle=name,
                title=fleet.vehicle(name).title,
                registered=name in fleet.vehicles,
                last_ms=last_ms,
                online=None if online is None else bool(online),
                account=statement(course.now(state).account, account),
                seq=sequence.gap_free,
                missing_samples=sequence.missing,
            )
        )
    return found
