"""A store from before the service record is opened: it gets the record and loses nothing."""

from __future__ import annotations

import hashlib
import sqlite3
from pathlib import Path

import pytest

from deploy import database
from deploy.database import Database
from ingest import journal, record, schema
from ingest.codec import encode
from ingest.record import RECORD_STEPS
from tests.ingest.folded import newcomer
from tests.ingest.told import TRUCK, entry
from tests.recorded import climb, records, same_bytes

RELEASED = (
    "9bab7b62a02d9535",
    "099c1c4924703a4d",
)
"""What the steps were when they were released (SHA-256, first 16 digits)."""

BEFORE = schema.STEPS[: len(RELEASED)]


def _tables(path: Path) -> dict[str, list[tuple[object, ...]]]:
    conn = sqlite3.connect(path)
    names = [
        row[0] for row in conn.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")
    ]
    found = {name: sorted(conn.execute(f"SELECT * FROM {name}"), key=repr) for name in names}  # noqa: S608
    conn.close()
    return found


def test_a_step_once_released_is_never_changed() -> None:
    steps = [hashlib.sha256("\0".join(step).encode()).hexdigest()[:16] for step in BEFORE]
    assert tuple(steps) == RELEASED


def test_a_store_from_before_gets_the_record_and_keeps_its_data(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "heatbook.sqlite"
    packages = tuple(
        (name, BEFORE if name == "ingest" else steps) for name, steps in database._PACKAGES
    )
    day = records(climb(120))
    with monkeypatch.context() as patch:
        patch.setattr(database, "_PACKAGES", packages)
        old = Database(path)
        with old.write() as tx:
            truck = newcomer(tx, TRUCK).vehicle_id
            span = (int(day["time_ms"].min()), int(day["time_ms"].max()), len(day))
            tx.execute(
                "INSERT INTO journal (vehicle_id, first_ms, last_ms, samples, received_ms, body) "
                "VALUES (?, ?, ?, ?, 1, ?)",
                (truck, *span, encode(day)),
            )
        old.close()
    before = _tables(path)
    assert "service_entry" not in before

    new = Database(path)
    with new.write() as tx:
        told = record.add(tx, entry())
        read = journal.read(tx, vehicle_id=truck, first_ms=0, last_ms=2**62)
        assert same_bytes(read, day)
    new.close()
    after = _tables(path)
    assert schema.STEPS[len(BEFORE) :][: len(RECORD_STEPS)] == RECORD_STEPS
    added = {("ingest", 1 + step) for step in range(len(BEFORE), len(schema.STEPS))}
    assert set(after.pop("schema_step")) - set(before.pop("schema_step")) == added
    assert {name: after[name] for name in before} == before

    again = Database(path)
    with again.read() as conn:
        assert record.history(conn, TRUCK) == [told]
    again.close()
    with monkeypatch.context() as patch:
        patch.setattr(database, "_PACKAGES", packages)
        with pytest.raises(database.StoreError, match="from a later Heatbook"):
            Database(path)
