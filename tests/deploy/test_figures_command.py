"""``heatbook alarms figures``: a table with targets for people, one object for programs."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from alerts.figure_lines import PRIORITIES
from deploy.cli import app
from deploy.database import Database
from tests.alerts.store import MINUTE, NOON, transition, write


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Eleven alarms of as many trucks within five minutes: a flood by one more than is asked for."""
    (tmp_path / "heatbook.toml").write_text(
        f'[store]\npath = "{tmp_path / "heatbook.db"}"\n', encoding="utf-8"
    )
    database = Database(tmp_path / "heatbook.db", synchronous="off")
    with database.write() as tx:
        for number in range(11):
            at_ms = NOON + number * MINUTE // 2
            truck = f"NF-{number:02}"
            write(tx, [transition(at_ms, at_ms, vehicle=truck)], now_ms=at_ms, vehicle=truck)
    database.close()
    return tmp_path


def figures(folder: Path, *words: str, code: int = 0) -> Any:
    span = ("--since", "2026-01-01T12:00:00Z", "--until", "2026-01-01T13:00:00Z")
    done = CliRunner().invoke(
        app,
        ["alarms", "figures", *span, *words, "--config", str(folder / "heatbook.toml")],
        env={"COLUMNS": "110"},
    )
    assert done.exit_code == code, done.output
    return done


def test_people_get_each_figure_beside_what_is_asked_for(folder: Path) -> None:
    said = re.sub(r"[ ]+", " ", figures(folder).output)
    assert "Most in 10 min 11 up to 10 not kept" in said
    assert "Alarms per hour 11 up to 6 not kept" in said
    assert "Time in flood 13% (1 begun) under 1% not kept" in said
    assert f"Priority high 100% (11) {PRIORITIES['high']}" in said
    assert "Fleeting (over within 1 min) 0 none kept" in said
    assert "Ten most frequent, of all 91% up to 5% not kept" in said
    assert "Most often" not in said
    assert "ISA-18.2" in said


def test_two_people_share_the_alarms(folder: Path) -> None:
    said = re.sub(r"[ ]+", " ", figures(folder, "--people", "2").output)
    assert "Alarms per hour each 5.5 up to 6 kept" in said
    assert "Most in 10 min 11 up to 20 kept" in said


def test_programs_get_one_object(folder: Path) -> None:
    found = json.loads(figures(folder, "--json").stdout)
    assert (found["since"], found["until"]) == (
        "2026-01-01T12:00:00.000Z",
        "2026-01-01T13:00:00.000Z",
    )
    assert found["load"]["alarms"] == 11
    assert found["load"]["flood_ms"] == 8 * MINUTE
    assert found["unacknowledged_now"] == 11


def test_a_span_the_wrong_way_round_is_refused(folder: Path) -> None:
    done = CliRunner().invoke(
        app,
        [
            *("alarms", "figures", "--config", str(folder / "heatbook.toml")),
            *("--since", "2026-02-01", "--until", "2026-01-01"),
        ],
    )
    assert "--since must lie before --until" in str(done.exception)
