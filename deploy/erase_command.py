"""``heatbook erase``: one truck, out of everything that this Heatbook holds."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Annotated

import typer

from alerts.phrases import number_of
from deploy import erasure, logs
from deploy.backup.identity import identity
from deploy.backup.rotation import backups_in
from deploy.clock import wall_ms
from deploy.database import Database, StoreBusy, beside_daemon, read_only
from deploy.desk import Desk, desk_of, pipeline_of
from deploy.options import Config
from deploy.printing import say, warn
from deploy.upgrade import copies
from deploy.waiting import until
from ingest.erasing import refused, whole_name
from ingest.wire import vehicle_name
from review.entry_rules import UnknownTruck, known_trucks
from review.measures import day

PATIENCE_S = 3600.0
"""How long the command waits for a daemon to be done [s]; it may be stopped before, the daemon goes on."""

_SUM = (
    "SELECT coalesce(sum(samples), 0) FROM {} JOIN vehicle ON vehicle.id = vehicle_id "
    "WHERE vehicle.name = ?"
)
_COUNTS = (
    ("samples in the store", _SUM.format("journal")),
    ("samples in the archive", _SUM.format("sealed")),
    ("entries of the service record", "SELECT count(*) FROM service_entry WHERE vehicle = ?"),
    ("alarms", "SELECT count(*) FROM alarm WHERE vehicle = ?"),
    (
        "notes of who was told of them",
        "SELECT count(*) FROM outbox JOIN alarm ON alarm.id = alarm_id WHERE vehicle = ?",
    ),
    ("times that its alarms were held back", "SELECT count(*) FROM hold WHERE vehicle = ?"),
)


def erase_command(
    truck: Annotated[str, typer.Argument(help="Name of the truck.")],
    yes: Annotated[
        bool, typer.Option("--yes", help="Do it; without this it only says what would go.")
    ] = False,
    who: Annotated[str | None, typer.Option("--by", help="Who says so. Default: you.")] = None,
    config: Config = None,
) -> None:
    """Erase a truck for good: samples, account, record, alarms, notices; beside a daemon or without one."""
    desk = desk_of(config, who)
    with read_only(desk.store) as conn:
        known = _known(conn, desk, truck)
        lines = _lines(conn, truck)
        ours = identity(conn)
    # "@heatbook" and "*" have alarms too, and are no trucks.
    if not vehicle_name.match(truck) or not (known or any(count for _, count in lines)):
        raise UnknownTruck(truck, known_trucks_of(desk))
    for what, count in lines:
        say(f"{count} {what}")
    if not yes:
        say(
            f"Nothing is erased yet. 'heatbook erase {truck} --yes' does it; nothing brings it back."
        )
        _tell_of_copies(desk, ours)
        return
    began_ms = wall_ms()
    try:
        database = Database(desk.store, synchronous=desk.settings.store.synchronous)
    except StoreBusy:
        _by_daemon(desk, truck)
    else:
        logs.set_up("error")
        with closing(database):
            _here(desk, database, truck)
    say(f"{truck} is erased, in {(wall_ms() - began_ms) / 1000:.1f} s.")
    _tell_of_copies(desk, ours)
    _tell_of_files(desk, truck)


def known_trucks_of(desk: Desk) -> frozenset[str]:
    """Name every truck that is known."""
    with read_only(desk.store) as conn:
        return frozenset(known_trucks(conn, desk.fleet))


def _known(conn: sqlite3.Connection, desk: Desk, truck: str) -> bool:
    return truck in known_trucks(conn, desk.fleet)


def _lines(conn: sqlite3.Connection, truck: str) -> list[tuple[str, int]]:
    """Count what would go."""
    lines = [(what, int(conn.execute(sql, (truck,)).fetchone()[0])) for what, sql in _COUNTS]
    lines.append(("refused messages", len(refused(conn, truck))))
    whole = whole_name(truck)
    about = conn.execute("SELECT about FROM audit WHERE instr(about, ?)", (truck,))
    named = sum(1 for (each,) in about if whole.search(each))
    lines.append(("lines of the audit log lose its name", named))
    return lines


def _by_daemon(desk: Desk, truck: str) -> None:
    with beside_daemon(desk.store) as tx:
        number = erasure.ask(tx, truck, desk.who, desk.now_ms())
    say(
        "The daemon does it now: first the rows, then the store is written anew, during which nothing else "
        "is committed. It goes on with that when you stop waiting."
    )

    def done() -> bool:
        with read_only(desk.store) as conn:
            return erasure.progress(conn, number)[1]

    if not until(done, PATIENCE_S):
        warn("It is not done yet; the daemon's log says why, and it tries again.")
        raise typer.Exit(1)


def _here(desk: Desk, database: Database, truck: str) -> None:
    with database.write() as tx:
        erasure.ask(tx, truck, desk.who, desk.now_ms())
    pipeline_of(desk, database).commit_erasures()
    erasure.finish(database, desk.now_ms)
    root = desk.settings.mqtt.filters[0].partition("/")[0]
    warn(
        "No daemon runs: what the broker keeps of the truck is still there. Take it away with 'mosquitto_pub "
        f"--retain --null-message' on {root}/{truck}/status, received and advice/#."
    )


def _tell_of_copies(desk: Desk, ours: str) -> None:
    """Say which copies of the store still hold the truck."""
    folder = desk.settings.backup.folder
    held = [] if folder is None else [
        each for each in backups_in(folder) if each[1].store == ours
    ]  # fmt: skip
    if held:
        rules = desk.settings.backup
        days = f", keep_days = {rules.keep_days:g}" if rules.keep_days else ""
        say(
            f"{number_of(len(held), 'backup')} in {folder} may still hold it, the newest of "
            f"{day(held[0][1].as_of_ms, desk.zone)}. Backups go as newer ones are made (keep = "
            f"{rules.keep}{days}); remove them by hand if that is not soon enough."
        )
    elif folder is None:
        say("Backups that were made before still hold it, wherever they are.")
    for path in (*copies(desk.store), *_aside(desk.store)):
        say(f"{path} may still hold it: remove it.")


def _aside(store: Path) -> list[Path]:
    return sorted(store.parent.glob("*.before-restore-*"))


def _tell_of_files(desk: Desk, truck: str) -> None:
    if truck in desk.fleet.vehicles:
        say(f"It still stands in the fleet file: take [vehicles.{truck}] out there.")
    say(
        "If its gateway goes on sending, it begins anew as a truck that was never heard: switch that off, "
        'or set wire.unregistered = "refuse". Texts that people wrote about other trucks are as they were.'
    )
