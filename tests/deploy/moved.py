"""A pipeline's store with months behind it, and the move of its history."""

from __future__ import annotations

from deploy.archive_section import HistoryRules
from deploy.database import Database
from deploy.history_move import HistoryMove, Moved
from ingest.archive import Month
from ingest.sealed import PARQUET, archive_of, months, place
from models.fleet import Fleet
from review.reading import Reader
from review.trucks import CourseOf
from tests.deploy.store import COURSES, FLEET

DAY_MS = 86_400_000
JANUARY = Month(2026, 1)
RULES = HistoryRules(hot_ms=35 * DAY_MS, keep_ms=None, max_gap_ms=300_000)


def move(
    database: Database,
    *,
    now_ms: int,
    rules: HistoryRules = RULES,
    courses: CourseOf = COURSES,
    fleet: Fleet = FLEET,
    version: str = "tests",
    kind: str = PARQUET,
) -> Moved:
    """Move what is due, as the daemon does."""
    with database.write() as tx:
        place(tx, "archive", kind=kind)
    reader = Reader(fleet=fleet, courses=courses, now_ms=lambda: now_ms, version=version)
    return HistoryMove(database, reader, rules, now_ms=lambda: now_ms).run()


def hot_rows(database: Database) -> int:
    with database.read() as conn:
        return int(conn.execute("SELECT count(*) FROM journal").fetchone()[0])


def sealed_months(database: Database) -> dict[str, list[str]]:
    """Give the sealed months by truck."""
    with database.read() as conn:
        trucks = conn.execute("SELECT id, name FROM vehicle ORDER BY name").fetchall()
        return {
            name: [each.month for each in months(conn, vehicle_id=vehicle_id)]
            for vehicle_id, name in trucks
        }


def loose_ends(database: Database) -> set[str]:
    """Name the months in the archive that the store does not count, or counts and are not there."""
    with database.read() as conn:
        counting = {name for (name,) in conn.execute("SELECT name FROM sealed")}
        return set(archive_of(conn).names()) ^ counting
