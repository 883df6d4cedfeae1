"""A repair in the service record is the look that a latched alarm waits for."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from alerts import history, journal, ledger
from alerts.alarm import Event, State
from alerts.life_rules import LATCHING
from alerts.policy import Policy
from deploy.database import Database
from deploy.pipeline import Pipeline
from ingest import record
from ingest.record import Entry
from models.transition import Priority, Transition
from tests.deploy.store import COURSES, pipeline
from tests.recorded import HOUR_MS, MINUTE_MS, NOON_MS, climb, message

TRUCK = "NF-03"
POLICY = Policy(latching=LATCHING)


@pytest.fixture
def database(tmp_path: Path) -> Iterator[Database]:
    opened = Database(tmp_path / "heatbook.db", synchronous="off")
    yield opened
    opened.close()


def running(database: Database, now_ms: int) -> Pipeline:
    made = pipeline(database, courses=COURSES, policy=POLICY, now_ms=now_ms)
    made.commit([message(TRUCK, climb(30, slope_k_min=0.0, start_c=80.0))])
    return made


def latched(database: Database, start_ms: int, *, over_ms: int | None) -> None:
    """Let a valve stick, and come free."""
    steps = [(start_ms, True)] + ([(over_ms, False)] if over_ms else [])
    with database.write() as tx:
        journal.rewrite(
            tx,
            vehicle=TRUCK,
            after_ms=start_ms - 1,
            transitions=[
                Transition(
                    vehicle=TRUCK,
                    kind="bypass_stuck",
                    time_ms=time_ms,
                    onset_ms=start_ms,
                    active=active,
                    priority=Priority.HIGH,
                    probability=0.99,
                )
                for time_ms, active in steps
            ],
            now_ms=start_ms,
            policy=POLICY,
        )


def repair(database: Database, made: Pipeline, at_ms: int, kind: str = "circuit") -> None:
    with database.write() as tx:
        record.add(
            tx,
            Entry(
                vehicle=TRUCK,
                kind=kind,
                time_ms=at_ms,
                who="Kim",
                entered_ms=at_ms,
                numbers={"volume_l": 5.0} if kind == "pan_drop" else {},
                words={"circuit": "full_flow"} if kind == "circuit" else {},
            ),
        )
    made.commit_record()


def state(database: Database) -> State:
    with database.read() as conn:
        (found,) = ledger.alarms(conn, kind="bypass_stuck")
    return found.state


def test_a_repair_after_it_resets_it_and_the_history_says_by_whom(database: Database) -> None:
    made = running(database, NOON_MS + 9 * HOUR_MS)
    latched(database, NOON_MS + HOUR_MS, over_ms=NOON_MS + 2 * HOUR_MS)
    assert state(database) is State.LATCHED
    repair(database, made, NOON_MS + 3 * HOUR_MS)
    assert state(database) is State.NORMAL
    with database.read() as conn:
        last = history.events(conn)[-1]
    assert (last.event, last.by) == (Event.RESET, "Kim")
    assert last.comment == "service record, entry 1: circuit changed"


def test_what_ends_only_with_the_first_samples_after_the_repair_is_reset_too(
    database: Database,
) -> None:
    made = running(database, NOON_MS + 9 * HOUR_MS)
    latched(database, NOON_MS + HOUR_MS, over_ms=None)
    # The samples of this store know of no such fault: taking up the entry ends it.
    repair(database, made, NOON_MS + 20 * MINUTE_MS + HOUR_MS)
    assert state(database) is State.NORMAL


@pytest.mark.parametrize(
    ("kind", "at_ms"), [("circuit", NOON_MS), ("pan_drop", NOON_MS + 3 * HOUR_MS)]
)
def test_a_repair_before_it_or_other_work_does_not(
    database: Database, kind: str, at_ms: int
) -> None:
    made = running(database, NOON_MS + 9 * HOUR_MS)
    latched(database, NOON_MS + HOUR_MS, over_ms=NOON_MS + 2 * HOUR_MS)
    repair(database, made, at_ms, kind)
    assert state(database) is State.LATCHED
