"""``heatbook history``: what each command says and does, beside a daemon and without one."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from typer.testing import CliRunner, Result

from deploy.archive_commands import app
from deploy.database import Database
from deploy.history_keeper import history_keeper, last_move
from deploy.settings import Settings
from ingest import postponed
from models.fleet import Fleet
from review.history_export import SHEET_ROWS
from review.problems import Mistake
from tests.deploy.moved import DAY_MS, sealed_months
from tests.deploy.test_history_move import DAYS, NOW_MS, filled, holds_all, read_all
from tests.recorded import records


@dataclass(frozen=True)
class Home:
    """A folder with settings and a store that has months of history."""

    folder: Path

    def run(self, *words: str) -> Result:
        """Run a command with this home's settings."""
        return CliRunner().invoke(app, [*words, "--config", str(self.folder / "heatbook.toml")])

    def open(self) -> Database:
        return Database(self.folder / "heatbook.db", synchronous="off")


@pytest.fixture
def home(tmp_path: Path) -> Home:
    made = Home(tmp_path)
    now = pd.Timestamp(NOW_MS, unit="ms", tz="UTC").isoformat()
    (tmp_path / "heatbook.toml").write_text(
        f'[store]\npath = "{tmp_path / "heatbook.db"}"\n[clock]\nstart = {now}\n'
    )
    database = made.open()
    filled(database)
    database.close()
    return made


def test_a_move_without_a_daemon_is_done_here(home: Home) -> None:
    done = home.run("move")
    assert done.exit_code == 0, done.output
    assert "4 months sealed with" in done.output
    database = home.open()
    assert sealed_months(database)["NF-01"] == ["2026-01", "2026-02"]
    assert holds_all(database)
    with database.read() as conn:
        last = last_move(conn)
    database.close()
    assert last is not None
    assert last.months == 4
    assert "No month was to be sealed" in home.run("move").output


def test_a_list_says_what_waits_for_the_archive(home: Home) -> None:
    assert "wait" not in home.run("list").output
    database = home.open()
    with database.write() as tx:
        assert postponed.put(
            tx, vehicle_id=1, samples=records(DAYS["NF-01"][:1200]), received_ms=NOW_MS
        )
    database.close()
    told = " ".join(home.run("list").output.split())
    count = len(DAYS["NF-01"][:1200])
    assert (
        f"wait until the archive can be read: {count:,} of 1 trucks, since 2026-04-15" in told
    )


@pytest.fixture
def kept_open(home: Home) -> Iterator[Database]:
    database = home.open()
    settings = Settings.model_validate({"store": {"path": home.folder / "heatbook.db"}})
    keeper = history_keeper(settings, Fleet(), database, lambda: NOW_MS)
    keeper.start()
    yield database
    keeper.stop()
    database.close()


def test_beside_a_daemon_the_daemon_does_it(home: Home, kept_open: Database) -> None:
    done = home.run("move")
    assert done.exit_code == 0, done.output
    assert "The daemon moves history now" in done.output
    assert "4 months sealed with" in done.output
    assert sealed_months(kept_open)["NF-02"] == ["2026-01", "2026-02"]


def test_what_cannot_be_moved_is_told_and_the_exit_code_says_so(home: Home) -> None:
    (home.folder / "archive").write_text("in the way")
    done = home.run("move")
    assert done.exit_code == 1
    assert "cannot write" in done.output
    assert "make room there" in done.output


def test_the_list_says_where_history_lies(home: Home) -> None:
    home.run("move")
    told = home.run("list")
    assert told.exit_code == 0
    assert "NF-01" in told.output
    assert "Last move:" in told.output
    lines = [json.loads(line) for line in home.run("list", "--json").output.splitlines()]
    assert [line["truck"] for line in lines] == ["NF-01", "NF-02"]
    (first, _) = lines
    times = [int(each["time_ms"]) for each in DAYS["NF-01"]]
    assert (first["first_ms"], first["last_ms"]) == (min(times), max(times))
    march_ms = NOW_MS - 45 * DAY_MS
    assert (first["months"], first["sealed_samples"]) == (
        2,
        sum(time_ms < march_ms for time_ms in times),
    )
    assert first["bytes"] > 1_000


def test_verify_is_content_with_what_is_whole(home: Home) -> None:
    assert "0 months looked at" in home.run("verify").output
    home.run("move")
    done = home.run("verify")
    assert done.exit_code == 0
    assert "4 months looked at: all are as they were sealed" in done.output


def test_verify_names_each_file_that_is_not_as_it_was(home: Home) -> None:
    home.run("move")
    first, second, *_ = sorted((home.folder / "archive" / "samples").rglob("*.parquet"))
    first.unlink()
    second.write_bytes(second.read_bytes()[:200])
    done = home.run("verify")
    assert done.exit_code == 1
    assert f"{first} is missing" in done.output
    assert f"{second} is damaged" in done.output
    assert "2 problems" in done.output


def test_verify_makes_lost_sums_anew(home: Home) -> None:
    home.run("move")
    for file in (home.folder / "archive" / "hours").rglob("*.parquet"):
        file.unlink()
    assert home.run("verify").exit_code == 1
    assert home.run("verify", "--mend").exit_code == 0
    assert home.run("verify").exit_code == 0


def _exported(home: Home, name: str, *words: str) -> pd.DataFrame:
    done = home.run("export", "NF-01", str(home.folder / name), *words)
    assert done.exit_code == 0, done.output
    read: Any = pd.read_csv if name.endswith(".csv") else pd.read_parquet
    found: pd.DataFrame = read(home.folder / name)
    assert f"{len(found)} rows in" in done.output
    return found


@pytest.mark.parametrize("moved", [False, True])
@pytest.mark.parametrize("name", ["out.csv", "out.parquet"])
def test_an_export_holds_all_samples_wherever_they_lie(
    home: Home, name: str, moved: bool
) -> None:
    if moved:
        home.run("move")
    found = _exported(home, name)
    database = home.open()
    wanted = read_all(database, "NF-01")
    database.close()
    times = pd.to_datetime(found["time"], format="ISO8601", utc=True)
    assert (times.astype("datetime64[ms, UTC]").astype("int64") == wanted["time_ms"]).all()
    assert found["fluid_temp_c"].tolist() == wanted["fluid_temp_c"].tolist()
    assert not list(home.folder.glob("*.unfinished"))


def test_a_day_is_exported_whole_in_the_fleets_own_time(home: Home) -> None:
    with (home.folder / "heatbook.toml").open("a") as file:
        file.write('[fleet]\ntime_zone = "Etc/GMT+6"\n')
    found = _exported(home, "day.csv", "--since", "2026-01-30", "--until", "2026-01-30")
    days = pd.to_datetime(found["time_fleet"], format="ISO8601").dt.date.astype(str)
    assert set(days) == {"2026-01-30"}


def test_what_is_there_is_not_written_over_unasked(home: Home) -> None:
    file = home.folder / "out.csv"
    file.write_text("mine")
    done = home.run("export", "NF-01", str(file))
    assert isinstance(done.exception, Mistake)
    assert file.read_text() == "mine"
    assert home.run("export", "NF-01", str(file), "--overwrite").exit_code == 0
    assert file.read_text() != "mine"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("NF-99", "out.csv"), "NF-99"),
        (("NF-01", "out.xlsx"), "out.csv or out.parquet"),
        (("NF-01", "no/such/folder/out.csv"), "cannot write"),
    ],
)
def test_what_cannot_be_exported_is_told(home: Home, words: tuple[str, str], told: str) -> None:
    done = home.run("export", words[0], str(home.folder / words[1]))
    assert isinstance(done.exception, Mistake)
    assert told in str(done.exception)


def test_more_rows_than_a_sheet_holds_are_told(
    home: Home, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows = len(DAYS["NF-01"])
    monkeypatch.setattr("deploy.export_command.SHEET_ROWS", rows + 1)
    assert "spreadsheet" not in home.run("export", "NF-01", str(home.folder / "a.csv")).output
    monkeypatch.setattr("deploy.export_command.SHEET_ROWS", rows)
    assert "spreadsheet" in home.run("export", "NF-01", str(home.folder / "b.csv")).output
    assert SHEET_ROWS == 1_048_576
