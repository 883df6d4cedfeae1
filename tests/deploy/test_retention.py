"""What is older than the settings keep goes by night, and nothing else."""

from __future__ import annotations

import sqlite3
from pathlib import Path

from deploy.database import Database
from deploy.retention import pruning_by
from deploy.retention_section import Retention
from ingest import quarantine
from ingest.decoded import Refused
from review.access.audit import Deed, audit, lines

DAY_MS = 86_400_000
NOW_MS = 1_900_000_000_000


def _refuse(tx: sqlite3.Connection, raw: bytes, days: int) -> None:
    quarantine.keep(
        tx,
        topic="fleet/NF-01/telemetry",
        vehicle="NF-01",
        refused=Refused(reason="empty", field="payload", detail="nothing", raw=raw),
        received_ms=NOW_MS - days * DAY_MS,
        limit_rows=100,
        limit_bytes=10_000,
    )


def test_the_settings_say_what_goes(tmp_path: Path) -> None:
    database = Database(tmp_path / "heatbook.db", synchronous="off")
    with database.write() as tx:
        for days in (900, 500, 200, 1):
            audit(tx, "Kim", Deed.SIGNED_IN, str(days), now_ms=NOW_MS - days * DAY_MS)
            _refuse(tx, str(days).encode(), days)
        _refuse(tx, b"900", 1)  # it came again: it is no old one
    with database.write() as tx:
        pruning_by(Retention())(tx, NOW_MS)
    with database.read() as conn:
        assert len(lines(conn)) == 4
        assert len(quarantine.listing(conn)) == 4
    with database.write() as tx:
        pruning_by(Retention(audit_days=365.0, refused_days=365.0))(tx, NOW_MS)
    with database.read() as conn:
        assert [line.about for line in lines(conn)] == ["1", "200"]
        assert {each.raw for each in quarantine.listing(conn)} == {b"900", b"200", b"1"}
        totals = quarantine.totals(conn)
    assert (totals.entries, totals.refused) == (3, 5)
    database.close()
