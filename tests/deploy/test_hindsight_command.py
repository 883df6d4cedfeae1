"""``heatbook hindsight``: a store on disk, beside no daemon; words, a table, JSON, mistakes."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from deploy.cli import app
from simulator.northfold import fleet_file
from tests.review.northfold_day import day_store

runner = CliRunner()


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("hindsight")
    day_store(folder).close()
    (folder / "fleet.toml").write_text(fleet_file(), encoding="utf-8")
    file = folder / "heatbook.toml"
    # The models' settings are those by which the day was taken in: tests/review/northfold_day.py.
    file.write_text(
        f'[store]\npath = "{folder / "heatbook.db"}"\n[fleet]\nfile = "fleet.toml"\ntime_zone = "UTC"\n'
        "[models]\nmax_gap_s = 300.0\nsilent_after_s = 1800.0\n",
        encoding="utf-8",
    )
    return file


def told(config: Path, *options: str) -> str:
    day = ("--since", "2026-06-16", "--until", "2026-06-16")
    done = runner.invoke(app, ["hindsight", *day, *options, "--config", str(config)])
    assert done.exit_code == 0, done.output
    return done.output


def test_the_present_settings_find_what_was_raised(config: Path) -> None:
    said = told(config)
    assert "The same alarms at the same times." in said
    assert "all 4 alarms that were raised then" in " ".join(said.split())


def test_a_lower_limit_for_one_truck(config: Path) -> None:
    said = told(config, "--truck", "NF-05", "--over-temperature", "234F")
    assert "too hot from 112 °C" in said
    assert "1 alarm would have come sooner." in said
    assert "NF-03" not in said


def test_for_a_program(config: Path) -> None:
    said = json.loads(told(config, "--truck", "NF-05", "--over-temperature", "112C", "--json"))
    (matter,) = said["matters"]
    assert (matter["kind"], matter["earlier_s"]) == ("over_temperature", 390.0)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--over-temperature", "hot"), "is no number"),
        (("--over-temperature", "20C"), "30 to 200"),
        (("--truck", "NF-33"), "NF-33"),
        (("--off", "smoke"), "smoke"),
        (("--since", "2026-06-18"), "begins before it ends"),
    ],
)
def test_mistakes_are_told_with_how_to_mend_them(
    config: Path, options: tuple[str, ...], says: str
) -> None:
    done = runner.invoke(
        app, ["hindsight", *options, "--until", "2026-06-16", "--config", str(config)]
    )
    assert done.exit_code != 0
    assert says in done.output + str(done.exception)
