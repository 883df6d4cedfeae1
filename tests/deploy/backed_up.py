"""A home with a store that has months behind it, and the commands on it."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
from typer.testing import CliRunner, Result

from deploy.backup.manifest import MANIFEST
from deploy.cli import app
from deploy.database import Database
from tests.deploy.moved import move
from tests.deploy.test_history_move import NOW_MS, filled

SECRET = "correct-horse-battery"  # noqa: S105 - of the test's own


@dataclass(frozen=True)
class Home:
    """A folder with settings, a store and an archive; backups lie outside of it."""

    folder: Path

    @property
    def store(self) -> Path:
        return self.folder / "home" / "heatbook.db"

    @property
    def backups(self) -> Path:
        return self.folder / "backups"

    def run(self, *words: str) -> Result:
        """Run a command with this home's settings."""
        config = self.folder / "home" / "heatbook.toml"
        return CliRunner().invoke(app, [*words, "--config", str(config)])

    def back_up(self, *words: str) -> Path:
        """Make a backup and give its folder."""
        done = self.run("backup", "--into", str(self.backups), *words)
        assert done.exit_code == 0, (done.output, done.exception)
        return self.newest()

    def newest(self) -> Path:
        found = sorted(self.backups.glob(f"heatbook-*/{MANIFEST}"), key=_number)
        return found[-1].parent

    def open(self) -> Database:
        return Database(self.store, synchronous="off")

    def elsewhere(self) -> Home:
        """Another machine, with the same settings and nothing else."""
        other = Home(self.folder / "elsewhere")
        settle(other)
        return other


def settle(home: Home) -> None:
    """Write the settings of a home."""
    home.store.parent.mkdir(parents=True)
    now = pd.Timestamp(NOW_MS, unit="ms", tz="UTC").isoformat()
    (home.store.parent / "heatbook.toml").write_text(
        f'[store]\npath = "{home.store}"\n[clock]\nstart = {now}\n'
        f'[mqtt]\nusername = "heatbook"\npassword = "{SECRET}"\n'
    )


def settled(folder: Path, *, moved: bool = True) -> Home:
    """Make a home whose trucks have driven for months, with the old ones in the archive."""
    home = Home(folder)
    settle(home)
    database = home.open()
    filled(database)
    if moved:
        assert move(database, now_ms=NOW_MS).problems == []
    database.close()
    return home


def _number(manifest: Path) -> int:
    return int(json.loads(manifest.read_text())["number"])
