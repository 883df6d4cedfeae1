"""Every list at 80 columns: nothing is cut, and what names a row stands whole."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest
import structlog
from typer.testing import CliRunner

from alerts import holds, ledger, sending
from alerts.alarm import State
from alerts.destination import channel_of
from alerts.policy import Policy, Route
from deploy.cli import app
from deploy.clock import wall_ms
from deploy.database import Database, read_only
from models.transition import Priority
from tests.alerts.store import take, transition, write
from tests.deploy.shop import open_shop

COLUMNS = 80
KINDS = ("bypass_stuck", "heat_rejection_low", "coolant_valve_stuck", "over_temperature")
PLACES = ("webhook:dispatch-of-the-night", "relay:sms/foreman-of-the-workshop", "smtp/ines")
POLICY = Policy(routes=tuple(Route(channel=place) for place in PLACES))
WHY = "550 5.1.1 <foreman-of-the-workshop@northfold.example>: Recipient address rejected"


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    """A fleet with accounts, alarms in several states, notices that wait and that were given up."""
    open_shop(tmp_path)
    _name_people(tmp_path)
    database = Database(tmp_path / "heatbook.db")
    with database.write() as tx:
        _raise_and_hold(tx, wall_ms())
    database.close()
    yield tmp_path
    structlog.reset_defaults()


def _name_people(folder: Path) -> None:
    deploy = Path(__file__).parents[2] / "deploy"
    (folder / "people.toml").write_text(
        (deploy / "example-people.toml")
        .read_text(encoding="utf-8")
        .replace('groups = ["recovery"]', 'groups = ["yard"]')
    )
    fleet = folder / "fleet.toml"
    fleet.write_text(fleet.read_text() + '[vehicles.NF-07]\ngroups = ["yard"]\n')
    config = folder / "heatbook.toml"
    config.write_text(
        config.read_text()
        + '[alerts]\npeople = "people.toml"\n[alerts.smtp]\nhost = "mail.northfold.example"\n'
        'sender = "heatbook@northfold.example"\n[alerts.relays.sms]\n'
        'url = "json://sms.northfold.example/send?:number={to}"\n'
    )
    config.chmod(0o640)


def _raise_and_hold(tx: sqlite3.Connection, now_ms: int) -> None:
    for nth, kind in enumerate(KINDS):
        at_ms = now_ms - 60_000 - nth
        came = transition(at_ms, at_ms, kind=kind, priority=Priority.CRITICAL)
        write(tx, [came], now_ms=now_ms, after_ms=at_ms - 1, policy=POLICY)
    for place in PLACES[:2]:
        taken = take(tx, channel_of(place), now_ms)
        assert taken is not None
        sending.give_up(tx, taken, now_ms, WHY)
    holds.place(
        tx,
        state=State.SUPPRESSED,
        vehicle="NF-01",
        kind="heat_rejection_low",
        until_ms=now_ms + 3_600_000,
        by="foreman",
        reason="in the shop for a new cooler, back on Friday at the earliest",
        now_ms=now_ms,
        policy=POLICY,
    )


def shown(folder: Path, *words: str) -> str:
    where = ("--config", str(folder / "heatbook.toml"))
    done = CliRunner().invoke(app, [*words, *where], env={"COLUMNS": str(COLUMNS)})
    assert done.exit_code == 0, (done.output, done.exception)
    return str(done.output)


TOLD = (
    "people told --truck NF-01 --alarm bypass_stuck --priority critical --at 2026-06-17T02:00"
)


@pytest.mark.parametrize(
    ("command", "whole"),
    [
        ("alarms list", "critical NF-01"),
        ("alarms holds", "1 NF-01 heat_rejection_low foreman"),
        ("alarms figures", "Priority critical kept"),
        ("notices waiting", "critical NF-01 smtp/ines"),
        ("notices given-up", "critical NF-01"),
        ("notices log", "given up"),
        ("people list", "relay:sms +15550100, now Omar Ines"),
        (TOLD, "once 02:10 Foreman Manager relay:sms smtp"),
        ("fleet list", "NF-01 NF-09"),
        ("fleet due", "NF-01 NF-09"),
        ("fleet history NF-01", "40%"),
        ("fleet pan-drop NF-01 --volume 5.5qt --preview", "1 2 3"),
    ],
)
def test_a_list_is_whole_at_80_columns(folder: Path, command: str, whole: str) -> None:
    said = shown(folder, *command.split())
    assert "…" not in said
    assert max(map(len, said.splitlines())) <= COLUMNS
    assert set(whole.lower().split()) <= set(said.lower().split())


def test_each_row_begins_with_what_names_it(folder: Path) -> None:
    """A command takes it from there, so it stands on one line."""
    with read_only(folder / "heatbook.db") as conn:
        standing = {alarm.id[:8] for alarm in ledger.standing(conn)}
        dead = {each.id[:10] for each in sending.dead_letters(conn)}
    assert (len(standing) >= len(KINDS), len(dead)) == (True, 2)
    for command, names in (("alarms list", standing), ("notices given-up", dead)):
        said = shown(folder, *command.split())
        assert set(re.findall(r"^ ([0-9a-f]{8,10}) ", said, re.MULTILINE)) == names


def test_an_alarms_own_tables_are_whole(folder: Path) -> None:
    (first, *_) = re.findall(r"^ ([0-9a-f]{8}) ", shown(folder, "alarms", "list"), re.MULTILINE)
    said = shown(folder, "alarms", "show", first)
    assert "…" not in said
    assert max(map(len, said.splitlines())) <= COLUMNS
    assert {"came", "Alarm", "smtp/ines"} <= set(said.split())
