"""``heatbook check``: what is wrong with this installation, and how to mend it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from rich.console import Console
from rich.markup import escape

from alerts import channels
from alerts.alarm import Matter
from alerts.notice import Notice, Undelivered
from deploy.broker_check import examine
from deploy.clock import wall_ms
from deploy.database import StoreError, read_only
from deploy.fleet import load_fleet
from deploy.model_version import keep_compiled
from deploy.settings import BadSettings, Loaded, describe, load_settings
from ingest.quarantine import totals
from models.transition import Priority

Level = Literal["ok", "doubt", "wrong"]
_MARKS = {"ok": "[green]ok[/]", "doubt": "[yellow]doubt[/]", "wrong": "[bold red]wrong[/]"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Remark:
    """One thing looked at: how it stands, and what mends it."""

    level: Level
    what: str
    mend: str = ""


def check(
    config: Path | None,
    *,
    env: Mapping[str, str],
    try_broker: bool,
    send_notice: bool,
) -> int:
    """Print what was found; give 0 when nothing is wrong, 78 for bad settings, else 1."""
    console = Console(soft_wrap=True)
    try:
        loaded = load_settings(config=config, env=env)
    except BadSettings as error:
        for problem in error.problems:
            _say(
                console,
                Remark(
                    level="wrong", what=f"{problem.path}: {problem.what}", mend=problem.mend
                ),
            )
        return error.exit_code
    console.print(describe(loaded.settings), markup=False, highlight=False)
    worst = 0
    for remark in _remarks(loaded, try_broker=try_broker, send_notice=send_notice):
        _say(console, remark)
        worst = max(worst, int(remark.level == "wrong"))
    return worst


def _remarks(loaded: Loaded, *, try_broker: bool, send_notice: bool) -> Iterator[Remark]:
    source = "no settings file: defaults" if loaded.file is None else f"settings: {loaded.file}"
    yield Remark(level="ok", what=source)
    for warning in loaded.warnings:
        yield Remark(level="doubt", what=f"{warning.path}: {warning.what}", mend=warning.mend)
    yield from _filters(loaded)
    yield from _fleet(loaded)
    yield from _store(loaded)
    yield Remark(level="ok", what=f"compiled models are kept in {keep_compiled()}")
    if try_broker:
        for finding in examine(loaded.settings.mqtt):
            yield Remark(level=finding.level, what=finding.what, mend=finding.mend)
    if send_notice:
        yield from _notices(loaded)


def _filters(loaded: Loaded) -> Iterator[Remark]:
    for name in loaded.settings.mqtt.filters:
        if name.split("/")[-1] in {"#", "+"}:
            yield Remark(
                level="wrong",
                what=f"mqtt.filters: {name} also catches what Heatbook itself publishes",
                mend="end it in /telemetry and /status, as two filters",
            )


def _fleet(loaded: Loaded) -> Iterator[Remark]:
    file = loaded.settings.fleet.file
    if file is None:
        yield Remark(
            level="doubt",
            what="no fleet file: every truck is taken for a medium one with a thermal bypass valve",
            mend="set fleet.file; deploy/example-fleet.toml shows one",
        )
        return
    if loaded.file is not None and not file.is_absolute():
        file = loaded.file.parent / file
    try:
        fleet = load_fleet(file, zone=loaded.settings.fleet.zone)
    except BadSettings as error:
        for problem in error.problems:
            yield Remark(
                level="wrong", what=f"{problem.path}: {problem.what}", mend=problem.mend
            )
        return
    yield Remark(level="ok", what=f"fleet file {file}: {len(fleet.vehicles)} trucks")


def _store(loaded: Loaded) -> Iterator[Remark]:
    path = loaded.settings.store.path
    if not path.exists():
        yield Remark(level="ok", what=f"store {path} will be made at the first start")
        return
    try:
        with read_only(path) as conn:
            state = conn.execute("PRAGMA quick_check").fetchone()[0]
            held = totals(conn)
    except (StoreError, OSError, ValueError) as error:
        yield Remark(level="wrong", what=f"store {path}: {error}", mend="restore a backup")
        return
    if state != "ok":
        yield Remark(level="wrong", what=f"store {path}: {state}", mend="restore a backup")
    else:
        yield Remark(level="ok", what=f"store {path} is sound")
    if held.entries:
        yield Remark(
            level="doubt",
            what=f"{held.entries} refused messages in quarantine ({held.dropped} dropped to keep the size)",
            mend="see 'heatbook quarantine list'",
        )


def _notices(loaded: Loaded) -> Iterator[Remark]:
    now_ms = wall_ms()
    built = channels.build(loaded.settings.channels(), now_ms=wall_ms)
    for name, channel in built.items():
        try:
            said = channel.deliver(_test_notice(name, now_ms))
        except Undelivered as error:
            yield Remark(
                level="wrong",
                what=f"channel {name}: {error.reason}",
                mend="see alerts in the settings",
            )
        else:
            yield Remark(level="ok", what=f"channel {name} took a test notice ({said})")


def _test_notice(channel: str, now_ms: int) -> Notice:
    name = f"test-{now_ms}-{channel}"
    subject = "Test notice from Heatbook: nothing is wrong"
    return Notice(
        id=name,
        thread=name,
        channel=channel,
        alarm_id="test",
        matter=Matter.ACTIVE,
        vehicle="none",
        kind="test",
        priority=Priority.LOW,
        probability=1.0,
        evidence={},
        onset_ms=now_ms,
        time_ms=now_ms,
        created_ms=now_ms,
        subject=subject,
        short=subject,
        body=f"{subject}.\n\nSomebody ran 'heatbook check --notice' to see whether this arrives.\n",
    )


def _say(console: Console, remark: Remark) -> None:
    mend = f"; {escape(remark.mend)}" if remark.mend else ""
    console.print(f"{_MARKS[remark.level]:>20} {escape(remark.what)}{mend}", highlight=False)
