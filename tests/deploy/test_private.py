"""What the daemon keeps is for its own user alone."""

from __future__ import annotations

import os
import stat
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from typer.testing import CliRunner

from deploy.cli import app
from deploy.database import Database
from deploy.private import exposed
from ingest.parquet_archive import ParquetArchive
from tests.deploy.canaries import planted, secrets_in


@pytest.fixture(autouse=True)
def _as_usual() -> Iterator[None]:
    """Let others read what is made without a thought, as most systems do."""
    before = os.umask(0o022)
    yield
    os.umask(before)


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def test_a_store_its_log_and_its_folder_are_our_users_alone(tmp_path: Path) -> None:
    folder = tmp_path / "made" / "state"
    database = Database(folder / "heatbook.db")
    with database.write() as tx:
        tx.execute("CREATE TABLE grown (x)")
        made = {file.name: mode(file) for file in folder.iterdir()}
        assert {"heatbook.db", "heatbook.db-wal", "heatbook.db-shm"} <= set(made)
    database.close()
    made.pop("heatbook.db.lock")  # it is empty
    assert set(made.values()) == {0o600}
    assert mode(folder) == 0o700


def test_a_store_that_is_there_keeps_its_mode(tmp_path: Path) -> None:
    """An administrator may have given it to a group."""
    store = tmp_path / "heatbook.db"
    Database(store).close()
    store.chmod(0o640)
    Database(store).close()
    assert mode(store) == 0o640


def test_an_archive_is_our_users_alone(tmp_path: Path) -> None:
    archive = ParquetArchive(tmp_path / "archive")
    archive._make_folders(tmp_path / "archive" / "samples" / "vehicle=NF-01")
    assert mode(tmp_path / "archive") == 0o700


def open_up(folder: Path) -> None:
    """Let everybody reach a folder of the test's own, which pytest keeps to its user."""
    for above in (folder, *folder.parents):
        if above.stat().st_uid == os.getuid() and Path(tempfile.gettempdir()) in above.parents:
            above.chmod(above.stat().st_mode | 0o055)


@pytest.mark.parametrize(
    ("file", "folder", "told"),
    [(0o644, 0o755, True), (0o640, 0o755, False), (0o644, 0o750, False), (0o604, 0o711, True)],
)
def test_what_others_can_read_is_found(
    tmp_path: Path, file: int, folder: int, told: bool
) -> None:
    within = tmp_path / "state"
    within.mkdir()
    store = within / "heatbook.db"
    store.write_bytes(b"")
    open_up(tmp_path)
    within.chmod(folder)
    store.chmod(file)
    assert exposed([store]) == ([store] if told else [])
    assert exposed([within / "missing"]) == []


def test_check_says_what_others_can_read(tmp_path: Path) -> None:
    store = tmp_path / "heatbook.db"
    Database(store).close()
    open_up(tmp_path)
    config = tmp_path / "heatbook.toml"
    config.write_text(f'[store]\npath = "{store}"\n')

    def said() -> str:
        done = CliRunner().invoke(app, ["check", "--config", str(config), "--no-broker"])
        return " ".join(done.output.split())

    assert "can read" not in said()
    store.chmod(0o644)
    assert f"everybody on this machine can read {store}" in said()


def test_a_settings_file_that_others_can_read_is_told_for_every_secret(tmp_path: Path) -> None:
    """By the types of the settings; the file of secrets itself names none."""
    config = tmp_path / "heatbook.toml"
    config.write_text('[mqtt]\nusername = "x"\npassword = "y"\n')
    config.chmod(0o644)
    done = CliRunner().invoke(app, ["check", "--config", str(config), "--no-broker"])
    assert "mqtt.password" in done.output
    assert "chmod o-r" in " ".join(done.output.split())
    kept = secrets_in(tmp_path / "secrets", planted(1))
    assert {mode(file) for file in kept.iterdir()} == {0o600}
