"""Names of trucks in notices: from the fleet file, or from the record."""

from __future__ import annotations

from pathlib import Path

from ingest import record
from ingest.record import Entry
from models.fleet import Fleet, Vehicle
from review.titles import Titles
from tests.deploy.store import store
from tests.recorded import NOON_MS


def test_a_truck_is_called_what_the_fleet_file_or_its_registration_says(tmp_path: Path) -> None:
    fleet = Fleet(vehicles={"NF-01": Vehicle(name="NF-01", title="Quarry run")})
    with store(tmp_path) as database:
        titles = Titles(fleet, database)
        assert titles.get("NF-01") == "Quarry run"
        assert titles.get("NF-77") == "NF-77"  # nobody has said
        told = Entry(
            vehicle="NF-77",
            kind="register",
            time_ms=NOON_MS,
            who="manager",
            entered_ms=NOON_MS,
            words={"title": "Yard"},
        )
        with database.write() as tx:
            record.add(tx, told)
        assert titles.get("NF-77") == "Yard"
        assert list(titles) == ["NF-01"]
        assert len(titles) == 1
