"""The commands beside a store: what they print, and what they say when something is wrong."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from typer.testing import CliRunner

from deploy.check import check
from deploy.cli import app
from deploy.clock import wall_ms
from deploy.database import Database, beside_daemon
from deploy.fleet import load_fleet
from ingest import inbox
from ingest.message import Message
from review.model_version import model_version
from review.trucks import courses_of
from tests.deploy.store import pipeline
from tests.recorded import climb, message

runner = CliRunner()

BAD = Message(
    topic="fleet/NF-02/telemetry",
    payload=b'{"time":1767268800,"seq":1,"fluid_temp_c":"hot","speed_km_h":50}',
)
MISSPELT = Message(
    topic="fleet/NF-03/telemetry", payload=b'{"time":1767268799,"gear":1,"tyre_kpa":800}'
)


@pytest.fixture
def settings(tmp_path: Path) -> Iterator[Path]:
    """A settings file whose store holds two trucks and one refused message."""
    (tmp_path / "fleet.toml").write_text('[vehicles.NF-01]\nname = "Quarry run"\n')
    file = tmp_path / "heatbook.toml"
    store = tmp_path / "heatbook.db"
    file.write_text(f'[store]\npath = "{store}"\n[fleet]\nfile = "fleet.toml"\n')
    database = Database(store)
    fleet = load_fleet(tmp_path / "fleet.toml")
    running = pipeline(
        database,
        courses=courses_of(fleet, max_gap_s=300.0, silent_after_s=900.0),
        model_version=model_version(),
    )
    running._now_ms = wall_ms  # a store that was written in time to come is not sound
    running.commit([message("NF-01", climb(60, slope_k_min=0.5)), BAD, MISSPELT])
    counted = b'[{"time":1767268800,"seq":1,"gear":1},{"time":1767268805,"seq":4,"gear":1}]'
    running.commit([Message(topic="fleet/NF-03/telemetry", payload=counted)])
    yield file
    database.close()


def _run(*words: str) -> str:
    done = runner.invoke(app, list(words), env={"COLUMNS": "120"})
    assert done.exit_code == 0, done.output
    return done.output


def test_the_fleet_is_listed_with_what_never_came(settings: Path) -> None:
    lines = _run("fleet", "list", "--config", str(settings), "--json").splitlines()
    first, second = (json.loads(line) for line in lines)
    assert (first["vehicle"], first["title"], first["account"]["samples"]) == (
        "NF-01",
        "Quarry run",
        60,
    )
    assert (second["vehicle"], second["registered"]) == ("NF-03", False)
    assert (second["seq"], second["missing_samples"]) == (1, 2)
    shown = _run("fleet", "list", "--config", str(settings))
    assert "Quarry run" in shown
    assert "(not in the fleet file)" in shown


def test_a_truck_of_other_settings_is_not_shown_with_numbers_of_the_old(settings: Path) -> None:
    (settings.parent / "fleet.toml").write_text("[vehicles.NF-01]\nlife_used_at_start = 0.5\n")
    done = runner.invoke(app, ["fleet", "list", "--config", str(settings), "--json"])
    assert done.exit_code == 0
    assert "NF-01" not in done.stdout
    assert "1 truck is not shown" in done.stderr


def test_what_was_refused_is_listed_shown_and_dropped(settings: Path) -> None:
    where = ("--config", str(settings))
    assert "wrong_type" in _run("quarantine", "list", *where)
    shown = _run("quarantine", "show", "1", *where)
    assert "fluid_temp_c" in shown
    assert '"fluid_temp_c":"hot"' in shown
    assert "1 of 1 dropped" in _run("quarantine", "drop", "1", *where)
    assert runner.invoke(app, ["quarantine", "show", "1", *where]).exit_code == 1


def test_foreign_text_steers_neither_the_listing_nor_the_terminal(tmp_path: Path) -> None:
    store = tmp_path / "heatbook.db"
    database = Database(store)
    running = pipeline(database)
    for payload in (b'{"time":1767268800,"gear":1,"[/x]":NaN}', b"\x1b[2J\x07\xff{"):
        running.commit([Message(topic="fleet/[red]/telemetry", payload=payload)])
        running.commit([Message(topic="fleet/NF-02/telemetry", payload=payload)])
    database.close()
    where = ("--store", str(store))
    listed = _run("quarantine", "list", *where)
    assert "[/x]" in listed
    assert "fleet/[red]/telemetry" in listed
    shown = "".join(_shown(number, where) for number in range(1, 5))
    assert "payload   \\x1b[2J\\x07\\xff{" in shown
    assert "\x1b" not in shown


def _shown(number: int, where: tuple[str, ...]) -> str:
    return runner.invoke(
        app, ["quarantine", "show", str(number), *where], env={"COLUMNS": "120"}, color=True
    ).output


def test_a_mended_message_waits_for_the_daemon(settings: Path, tmp_path: Path) -> None:
    mended = tmp_path / "mended.json"
    mended.write_bytes(BAD.payload.replace(b'"hot"', b"93.5"))
    _run("quarantine", "reingest", "1", "--payload", str(mended), "--config", str(settings))
    store = tmp_path / "heatbook.db"
    with beside_daemon(store) as tx:
        (waiting,) = inbox.take(tx)
    assert waiting == Message(topic=BAD.topic, payload=mended.read_bytes())


def test_a_store_that_is_not_there_is_not_made(tmp_path: Path) -> None:
    store = tmp_path / "none.db"
    done = runner.invoke(app, ["quarantine", "drop", "1", "--store", str(store)])
    assert done.exit_code != 0
    assert not store.exists()


def test_check_finds_nothing_wrong_with_a_sound_installation(
    settings: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code = check(settings, env={}, try_broker=False, send_notice=True, show_settings=True)
    said = capsys.readouterr().out
    assert code == 0, said
    assert "is sound" in said
    assert "1 refused message in quarantine" in said
    assert "fields that nothing reads: tyre_kpa (1 times)" in said
    assert "channel log took a test notice" in said
    assert "mqtt.port = 1883" in said


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("[mqtt]\nprot = 1883\n", "'port'"),
        ('[mqtt]\nfilters = ["fleet/#"]\n', "also catches what Heatbook itself publishes"),
        ('[fleet]\nfile = "missing.toml"\n', "does not exist"),
    ],
)
def test_check_says_what_is_wrong_and_how_to_mend_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], line: str, expected: str
) -> None:
    file = tmp_path / "heatbook.toml"
    file.write_text(line)
    code = check(file, env={}, try_broker=False, send_notice=False, show_settings=False)
    assert code != 0
    assert expected in capsys.readouterr().out
