"""A workshop at the command line: a store with settings and a fleet file, and no daemon on it."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from typer.testing import CliRunner

from deploy.cli import app
from deploy.database import Database, read_only
from deploy.fleet import load_fleet
from review.model_version import model_version
from review.trucks import courses_of
from tests.deploy.store import pipeline
from tests.recorded import HOUR_MS, NOON_MS, climb, message

FLEET_FILE = """
[vehicles.NF-01]
name = "Quarry run"
life_used_at_start = 0.4

[vehicles.NF-02]
name = "Never heard"

[fluids.slow]
reference_life_h = 7000
"""

DAYS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Shop:
    """Where commands are typed."""

    folder: Path

    @property
    def config(self) -> Path:
        return self.folder / "heatbook.toml"

    @property
    def store(self) -> Path:
        return self.folder / "heatbook.db"

    def run(self, *words: str, code: int = 0) -> str:
        """Run a command of ``heatbook fleet``; give what it says on both streams, on one line."""
        done = self.invoke(*words, columns=200)
        assert done.exit_code == code, done.output
        return re.sub(r"\s+", " ", done.output)

    def invoke(self, *words: str, columns: int = 80) -> Any:
        """Run it in a terminal of so many columns."""
        where = ("--config", str(self.config))
        env = {"COLUMNS": str(columns)}
        return CliRunner().invoke(app, ["fleet", *words, *where], env=env)

    def json(self, *words: str) -> list[dict[str, Any]]:
        """Run it with ``--json``; give the objects."""
        done = self.invoke(*words, "--json")
        assert done.exit_code == 0, done.output
        return [json.loads(line) for line in done.stdout.splitlines()]

    def life(self, truck: str = "NF-01") -> float:
        """Give how much of its life a truck's fluid has used."""
        (found,) = [each for each in self.json("list") if each["vehicle"] == truck]
        return float(found["account"]["life_used"])

    def entries(self) -> int:
        """Count the entries of the record."""
        with read_only(self.store) as conn:
            return int(conn.execute("SELECT count(*) FROM service_entry").fetchone()[0])


def open_shop(folder: Path, *, more: str = "", fleet: str = FLEET_FILE) -> Shop:
    """Set a shop up: five hours a day of two trucks, one of them not in the fleet file."""
    (folder / "fleet.toml").write_text(fleet)
    shop = Shop(folder=folder)
    shop.config.write_text(
        f'[store]\npath = "{shop.store}"\n[fleet]\nfile = "fleet.toml"\n'
        f'time_zone = "America/Denver"\n{more}'
    )
    trucks = load_fleet(folder / "fleet.toml")
    database = Database(shop.store)
    try:
        running = pipeline(
            database,
            courses=courses_of(trucks, max_gap_s=300.0, silent_after_s=900.0),
            model_version=model_version(),
        )
        for day in range(DAYS):
            start_ms = NOON_MS + 24 * day * HOUR_MS
            drive = climb(300, start_ms=start_ms, slope_k_min=0.15, start_c=80.0)
            running.commit([message("NF-01", drive), message("NF-09", drive)])
        running.flush()
    finally:
        database.close()
    return shop
