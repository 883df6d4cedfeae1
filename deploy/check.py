"""``heatbook check``: what is wrong with this installation, and how to mend it."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from secrets import token_hex

from rich.console import Console
from rich.markup import escape

from alerts import sending
from alerts.phrases import number_of
from deploy import private
from deploy.backup.replacing import cut_short
from deploy.backup_findings import backup_findings
from deploy.broker_check import Finding, examine
from deploy.clock import wall_ms
from deploy.database import StoreError, read_only
from deploy.fleet import fleet_of
from deploy.influx_access import let_in
from deploy.influx_findings import influx_findings
from deploy.notice_trial import try_channels, try_ways
from deploy.own_findings import own_findings
from deploy.people_file import plan_of
from deploy.people_findings import people_findings, unreached
from deploy.settings import BadSettings, Loaded, describe, load_settings
from deploy.web.findings import web_findings
from ingest import record
from ingest.quarantine import totals
from models.fleet import Fleet
from review.model_version import keep_compiled
from review.trucks import courses_of

_MARKS = {
    "good": "[green]good[/]",
    "caution": "[yellow]caution[/]",
    "fault": "[bold red]fault[/]",
}


def check(
    config: Path | None,
    *,
    env: Mapping[str, str],
    try_broker: bool,
    send_notice: bool,
    show_settings: bool,
) -> int:
    """Print what was found; give 0 when nothing is wrong, 78 for bad settings, else 1."""
    console = Console(soft_wrap=True)
    try:
        loaded = load_settings(config=config, env=env)
    except BadSettings as error:
        for problem in error.problems:
            say_finding(
                console,
                Finding(
                    level="fault", what=f"{problem.path}: {problem.what}", mend=problem.mend
                ),
            )
        return error.exit_code
    if show_settings:
        console.print(describe(loaded.settings), markup=False, highlight=False)
    let_in(loaded.settings)
    worst = 0
    for finding in _findings(loaded, try_broker=try_broker, send_notice=send_notice):
        say_finding(console, finding)
        worst = max(worst, int(finding.level == "fault"))
    return worst


def _findings(loaded: Loaded, *, try_broker: bool, send_notice: bool) -> Iterator[Finding]:
    source = "no settings file: defaults" if loaded.file is None else f"settings: {loaded.file}"
    yield Finding(level="good", what=source)
    for warning in loaded.warnings:
        yield Finding(
            level="caution", what=f"{warning.path}: {warning.what}", mend=warning.mend
        )
    yield from _filters(loaded)
    yield from _fleet(loaded)
    yield from people_findings(loaded, now_ms=wall_ms())
    yield from web_findings(loaded)
    yield from _store(loaded)
    yield from own_findings(loaded)
    yield from backup_findings(loaded)
    yield from _exposed(loaded)
    yield from influx_findings(loaded)
    yield Finding(level="good", what=f"compiled models are kept in {keep_compiled()}")
    if try_broker:
        yield from examine(loaded.settings.mqtt, check_id=token_hex(4))
    if send_notice:
        yield from try_channels(loaded.settings)
        yield from _people_tried(loaded)


def _people_tried(loaded: Loaded) -> Iterator[Finding]:
    with suppress(BadSettings):  # what is wrong with the file itself is said already
        if plan := plan_of(loaded):
            for person in plan.people.values():
                yield from try_ways(loaded.settings, person)


def _filters(loaded: Loaded) -> Iterator[Finding]:
    for name in loaded.settings.mqtt.filters:
        if name.split("/")[-1] in {"#", "+"}:
            yield Finding(
                level="fault",
                what=f"mqtt.filters: {name} also catches what Heatbook itself publishes",
                mend="End it in /telemetry and /status, as two filters",
            )


def _fleet(loaded: Loaded) -> Iterator[Finding]:
    file = loaded.fleet_file
    if file is None:
        yield Finding(
            level="caution",
            what="no fleet file: every truck is taken for a medium one with a thermal bypass valve",
            mend="Set fleet.file; deploy/example-fleet.toml shows one",
        )
        return
    try:
        fleet = fleet_of(loaded)
    except BadSettings as error:
        for problem in error.problems:
            yield Finding(
                level="fault", what=f"{problem.path}: {problem.what}", mend=problem.mend
            )
        return
    yield Finding(
        level="good", what=f"fleet file {file}: {number_of(len(fleet.vehicles), 'truck')}"
    )


def _store(loaded: Loaded) -> Iterator[Finding]:
    path = loaded.settings.store.path
    if cut_short(path):
        yield Finding(
            level="fault",
            what=f"a restore of the store {path} was cut short",
            mend="Start the daemon, or do 'heatbook restore' again: either finishes it first",
        )
        return
    if not path.exists():
        yield Finding(level="good", what=f"store {path} will be made at the first start")
        return
    try:
        with read_only(path) as conn:
            (state,) = conn.execute("PRAGMA quick_check").fetchone()
            held = [*_held(conn), *_record(conn, loaded)]
    except (StoreError, sqlite3.Error, OSError, ValueError) as error:
        yield Finding(level="fault", what=f"store {path}: {error}", mend="Restore a backup")
        return
    if state != "ok":
        yield Finding(level="fault", what=f"store {path}: {state}", mend="Restore a backup")
    else:
        yield Finding(level="good", what=f"store {path} is sound")
    yield from held


def _exposed(loaded: Loaded) -> Iterator[Finding]:
    settings = loaded.settings
    archive = settings.store.path.parent / settings.archive.folder
    for path in private.exposed((settings.store.path, archive)):
        yield Finding(
            level="caution",
            what=f"everybody on this machine can read {path}: samples, notices, who may sign in",
            mend=f"chmod -R go-rwx {path}",
        )


def _held(conn: sqlite3.Connection) -> Iterator[Finding]:
    """Say what waits in the store for somebody to look at it."""
    yield from _refused(conn)
    yield from _unread(conn)
    yield from _undelivered(conn)


def _refused(conn: sqlite3.Connection) -> Iterator[Finding]:
    refused = totals(conn)
    if refused.entries:
        yield Finding(
            level="caution",
            what=f"{number_of(refused.entries, 'refused message')} in quarantine "
            f"({refused.dropped} dropped to keep the size)",
            mend="See 'heatbook quarantine list'",
        )


def _unread(conn: sqlite3.Connection) -> Iterator[Finding]:
    names = conn.execute(
        "SELECT name, times FROM unknown_field ORDER BY times DESC, name LIMIT 5"
    ).fetchall()
    if names:
        listed = ", ".join(f"{name} ({times} times)" for name, times in names)
        yield Finding(
            level="caution",
            what=f"fields that nothing reads: {listed}",
            mend="Mend a misspelt name in the gateway; others do no harm",
        )


def _undelivered(conn: sqlite3.Connection) -> Iterator[Finding]:
    given_up = sending.dead_letters(conn)
    if given_up:
        last = given_up[-1]
        yield Finding(
            level="fault",
            what=f"{number_of(len(given_up), 'notice')} given up, as undeliverable, the last to "
            f"{last.destination}: {last.last_error}",
            mend="'heatbook notices given-up' lists them; mend what is wrong ('heatbook check "
            "--notice' tries it), then 'heatbook notices again --all'",
        )
    count, _ = sending.waiting(conn)
    if count:
        yield Finding(
            level="good",
            what=f"{number_of(count, 'notice waits', 'notices wait')} to be delivered",
            mend="See 'heatbook notices waiting'",
        )


def _record(conn: sqlite3.Connection, loaded: Loaded) -> Iterator[Finding]:
    """Say where the service record and the fleet file do not fit, and what does not count yet."""
    if (
        conn.execute("SELECT 1 FROM sqlite_schema WHERE name = 'service_taken'").fetchone()
        is None
    ):
        return  # from before there was a record; the daemon adds it at its next start
    waiting = record.pending(conn)
    if waiting:
        yield Finding(
            level="caution",
            what=f"service record: entries of {number_of(len(waiting), 'truck')} do not count yet",
            mend="The daemon counts them when it runs; if it does, see its log for record.failed",
        )
    with suppress(BadSettings):  # what is wrong with the files themselves is said already
        if plan := plan_of(loaded):
            yield from unreached(conn, plan)
        yield from _lost_fluids(conn, fleet_of(loaded))


def _lost_fluids(conn: sqlite3.Connection, fleet: Fleet) -> Iterator[Finding]:
    courses = courses_of(fleet, max_gap_s=1.0, silent_after_s=1.0)
    for name in record.vehicles(conn):
        try:
            courses(name, record.effective(conn, name))
        except BadSettings as error:
            (problem,) = error.problems
            yield Finding(
                level="fault", what=f"{problem.path}: {problem.what}", mend=problem.mend
            )


def say_finding(console: Console, finding: Finding) -> None:
    """Print one finding in a line."""
    what = finding.what.removesuffix(".")
    said = f"{what}. {finding.mend}" if finding.mend else what
    console.print(f"{_MARKS[finding.level]:>20} {escape(said)}", highlight=False)
