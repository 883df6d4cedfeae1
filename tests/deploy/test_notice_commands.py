"""``heatbook notices``, and what ``heatbook check`` says of what was given up."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from alerts import gathering, sending
from alerts.report import ReportText, post_report
from deploy.cli import app
from deploy.database import Database, read_only
from review.problems import Mistake
from tests.alerts.store import NOON, take, transition, write

runner = CliRunner()


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """A store with two alarms for two channels: one told, one given up, two waiting, and a report."""
    database = Database(tmp_path / "heatbook.db")
    with database.write() as tx:
        for truck in ("NF-01", "NF-02"):
            raised = transition(NOON, NOON, vehicle=truck)
            write(tx, [raised], now_ms=NOON, vehicle=truck)
        told = take(tx, "desk", NOON)
        assert told is not None
        sending.settle(tx, told, NOON, "accepted for desk")
        dead = take(tx, "phone", NOON)
        assert dead is not None
        sending.give_up(tx, dead, NOON, "550 no [such] user")
        report = ReportText(name="digest:1", subject="The day", short="s", body="b")
        post_report(tx, report, destination="smtp", now_ms=NOON)
    database.close()
    file = tmp_path / "heatbook.toml"
    file.write_text(f'[store]\npath = "{tmp_path / "heatbook.db"}"\n')
    return file


def run(config: Path, *words: str) -> str:
    done = runner.invoke(
        app, ["notices", *words, "--config", str(config)], env={"COLUMNS": "140"}
    )
    if done.exception and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done.output


def test_what_waits_is_listed_with_reports(config: Path) -> None:
    said = run(config, "waiting")
    assert "3 notices wait." in said
    assert "ALARM HIGH NF-02" in said
    assert "The day" in said
    assert "550" not in said


def test_what_was_given_up_is_listed_with_its_reason_and_sent_again(config: Path) -> None:
    said = run(config, "given-up")
    assert "550 no [such] user" in said
    assert "1 notice was given up" in said
    with read_only(config.parent / "heatbook.db") as conn:
        (dead,) = sending.dead_letters(conn)
    assert "1 will be sent again" in run(config, "again", dead.id[:10])
    assert "Nothing was given up" in run(config, "given-up")
    assert "4 notices wait." in run(config, "waiting")


@pytest.mark.parametrize("words", [("--all",), ("--channel", "phone")])
def test_all_is_sent_again(config: Path, words: tuple[str, ...]) -> None:
    assert "1 will be sent again" in run(config, "again", *words)
    assert "0 will be sent again" in run(config, "again", "--channel", "desk")


@pytest.mark.parametrize("words", [(), ("nosuch",), ("nosuch", "--all")])
def test_what_names_no_notice_is_said(config: Path, words: tuple[str, ...]) -> None:
    with pytest.raises(Mistake):
        run(config, "again", *words)


def test_what_was_withdrawn_is_not_sent_again(config: Path) -> None:
    database = Database(config.parent / "heatbook.db")
    with database.write() as tx:
        (dead,) = sending.dead_letters(tx)
        (about,) = sending.told(tx, dead.id)
        truck = about.alarm.vehicle
        write(tx, [], now_ms=NOON, vehicle=truck)
    database.close()
    with pytest.raises(Mistake, match="withdrawn"):
        run(config, "again", dead.id)


def test_what_somebody_has_seen_is_off_the_list_and_stays_in_the_log(config: Path) -> None:
    with read_only(config.parent / "heatbook.db") as conn:
        (dead,) = sending.dead_letters(conn)
    assert "Off the list" in run(config, "seen", dead.id, "--who", "Ines")
    assert "Nothing was given up" in run(config, "given-up")
    assert "550 no [such] user" in run(config, "log")
    with read_only(config.parent / "heatbook.db") as conn:
        (seen,) = sending.sendings(conn, name=dead.id)
    assert seen.last_error == "550 no [such] user; seen by Ines"
    with pytest.raises(Mistake):
        run(config, "seen", dead.id)


def test_the_log_of_an_alarm_says_who_was_told(config: Path) -> None:
    with read_only(config.parent / "heatbook.db") as conn:
        (dead,) = sending.dead_letters(conn)
        (about,) = sending.told(conn, dead.id)
    said = run(config, "log", about.alarm.id[:8])
    assert "given up" in said
    assert "550 no [such] user" in said
    lines = [json.loads(line) for line in run(config, "log", "--json").splitlines()]
    assert [(line["destination"], line["outcome"]) for line in lines] == [
        ("desk", "delivered"),
        ("phone", "abandoned"),
    ]
    with pytest.raises(Mistake):
        run(config, "log", "nosuch")


def test_check_says_how_to_send_again(config: Path) -> None:
    done = runner.invoke(app, ["check", "--config", str(config), "--no-broker"])
    assert "heatbook notices again --all" in " ".join(done.output.split())
    assert "550 no [such] user" in done.output
    assert "3 notices wait" in done.output


def test_everything_that_waits_somewhere_is_found(config: Path) -> None:
    with read_only(config.parent / "heatbook.db") as conn:
        assert gathering.waiting_at(conn) == ["desk", "phone", "smtp"]
