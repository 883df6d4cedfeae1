"""``heatbook alarms`` beside a store: what is listed, answered, held back and let go."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
import structlog
from typer.testing import CliRunner

from alerts import hold, journal, ledger, outbox
from alerts.alarm import State
from alerts.ledger import Alarm
from alerts.life_rules import LATCHING
from alerts.policy import Policy, Route
from deploy.cli import app
from deploy.clock import wall_ms
from deploy.database import Database, read_only
from deploy.desk import login_name
from models.transition import Priority, Transition

HOUR = 3_600_000
POLICY = Policy(routes=(Route(channel="log"),), latching=LATCHING)


class Shop:
    """A store with two trucks, and somebody at the terminal."""

    def __init__(self, folder: Path) -> None:
        self.store = folder / "heatbook.db"
        self.config = folder / "heatbook.toml"
        (folder / "fleet.toml").write_text("[vehicles.NF-01]\n[vehicles.NF-02]\n")
        self.config.write_text(
            f'[store]\npath = "{self.store}"\n[fleet]\nfile = "fleet.toml"\n'
            'time_zone = "America/Denver"\n'
        )
        Database(self.store).close()

    def run(self, *words: str, code: int = 0) -> str:
        done = CliRunner().invoke(
            app,
            ["alarms", *words, "--config", str(self.config)],
            env={"COLUMNS": "200"},
        )
        assert done.exit_code == code, (done.output, done.exception)
        return re.sub(r"\s+", " ", done.output)

    def fail(self, *words: str) -> str:
        done = CliRunner().invoke(app, ["alarms", *words, "--config", str(self.config)])
        assert done.exit_code != 0
        return f"{done.exception} {done.output}"

    def write(
        self,
        *,
        truck: str = "NF-01",
        kind: str = "bypass_stuck",
        ago_ms: int = HOUR // 6,
        over: bool = False,
        priority: Priority = Priority.HIGH,
    ) -> Alarm:
        onset_ms = wall_ms() - ago_ms
        came = Transition(
            vehicle=truck,
            kind=kind,
            time_ms=onset_ms,
            onset_ms=onset_ms,
            active=True,
            priority=priority,
            probability=0.99,
            evidence={},
        )
        gone = Transition(
            vehicle=truck,
            kind=kind,
            time_ms=onset_ms + 60_000,
            onset_ms=onset_ms,
            active=False,
            priority=priority,
            probability=0.99,
            evidence={},
        )
        database = Database(self.store)
        with database.write() as tx:
            changes = journal.rewrite(
                tx,
                vehicle=truck,
                after_ms=onset_ms - 1,
                transitions=[came, gone] if over else [came],
                now_ms=wall_ms(),
                policy=POLICY,
            )
        database.close()
        return changes.alarms[-1]

    def alarm(self, alarm: Alarm) -> Alarm:
        with read_only(self.store) as conn:
            found = ledger.get(conn, alarm.id)
        assert found is not None
        return found


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    yield Shop(tmp_path)
    structlog.reset_defaults()


def test_nothing_stands(shop: Shop) -> None:
    assert "No alarm stands." in shop.run("list")
    assert "Nothing is held back." in shop.run("holds")


def test_the_most_urgent_is_listed_first_and_what_is_held_last(shop: Shop) -> None:
    held = shop.write(truck="NF-02", kind="overcooled", priority=Priority.CRITICAL)
    low = shop.write(kind="overcooled", priority=Priority.LOW)
    high = shop.write()
    shop.run("suppress", "NF-02", "--reason", "in the shop")
    said = shop.run("list")
    places = [said.index(alarm.id[:8]) for alarm in (high, low, held)]
    assert places == sorted(places)
    assert "3 alarms stand." in said
    assert "suppressed by design until let go" in said


def test_an_alarm_is_shown_with_what_happened_and_who_was_told(shop: Shop) -> None:
    found = shop.write()
    shop.run("acknowledge", found.id[:8], "--who", "Kim", "--comment", "on my way")
    said = shop.run("show", found.id[:8])
    assert "State acknowledged by Kim" in said
    assert "came" in said
    assert "acknowledged Kim on my way" in said
    assert "log" in said
    assert "waits to be sent" in said


def test_an_acknowledgement_is_by_whoever_is_logged_in_unless_said_otherwise(
    shop: Shop,
) -> None:
    found = shop.write()
    assert "acknowledged by" in shop.run("acknowledge", found.id)
    assert shop.alarm(found).acknowledged_by == login_name()
    assert "already" in shop.run("acknowledge", found.id, "--who", "Kim")
    assert shop.alarm(found).acknowledged_by == login_name()


def test_a_shelf_has_an_end_and_a_reason_and_can_be_let_go(shop: Shop) -> None:
    found = shop.write()
    said = shop.run(
        "shelve", "NF-01", "bypass_stuck", "--until", "8h", "--reason", "part ordered"
    )
    assert "Hold 1: bypass_stuck of NF-01 shelved until" in said
    assert shop.alarm(found).state is State.SHELVED
    with read_only(shop.store) as conn:
        (made,) = hold.standing(conn, wall_ms())
    assert made.until_ms is not None
    assert made.until_ms - made.from_ms == pytest.approx(8 * HOUR, abs=60_000)
    assert "part ordered" in shop.run("holds")
    assert "nothing to acknowledge" in shop.run("acknowledge", found.id)
    assert "1 still stand" in shop.run("release", "1", "--who", "Ines")
    free = shop.alarm(found)
    assert free.state is State.UNACKNOWLEDGED
    with read_only(shop.store) as conn:
        told = outbox.entries(conn, alarm_id=found.id)
    assert [entry.turn for entry in told if entry.state == "pending"] == [1]


def test_a_whole_truck_is_taken_out_of_service(shop: Shop) -> None:
    found = shop.write()
    other = shop.write(kind="overcooled")
    shop.run("out-of-service", "NF-01", "--reason", "gearbox is out", "--until", "3d")
    assert {shop.alarm(each).state for each in (found, other)} == {State.OUT_OF_SERVICE}


def test_what_is_over_and_to_be_looked_at_is_reset(shop: Shop) -> None:
    found = shop.write(over=True)
    assert "over, to be looked at" in shop.run("list")
    assert "1 reset by Kim." in shop.run(
        "reset", found.id[:6], "--who", "Kim", "--comment", "valve changed"
    )
    assert shop.alarm(found).state is State.NORMAL
    assert "reset Kim valve changed" in shop.run("show", found.id)


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (("acknowledge", "0123abcd"), "'heatbook alarms list' names"),
        (("acknowledge", "%"), "'heatbook alarms list' names"),
        (("release", "7"), "'heatbook alarms holds' lists"),
        (("suppress", "NF-03", "--reason", "x"), "nearest known truck"),
        (("suppress", "NF-01", "over_cold", "--reason", "x"), "nearest known kind"),
        (("suppress", "NF-01", "--reason", " "), "give a reason"),
        (("shelve", "NF-01", "--reason", "x", "--until", "30d"), "7 days at most"),
        (("shelve", "NF-01", "--reason", "x", "--until", "2020-01-01"), "passed"),
        (("shelve", "NF-01", "--reason", "x", "--until", "soon"), "is no time"),
    ],
)
def test_what_cannot_be_done_says_how_it_can(
    shop: Shop, words: tuple[str, ...], why: str
) -> None:
    assert why in shop.fail(*words)


def test_what_stands_cannot_be_reset(shop: Shop) -> None:
    found = shop.write()
    assert "its condition still holds" in shop.fail("reset", found.id)


def test_one_mistake_among_several_changes_nothing(shop: Shop) -> None:
    found = shop.write()
    shop.fail("acknowledge", found.id, "0123abcd")
    assert shop.alarm(found).state is State.UNACKNOWLEDGED


def test_commands_work_beside_a_daemon(shop: Shop) -> None:
    found = shop.write()
    running = Database(shop.store)
    try:
        shop.run("acknowledge", found.id)
        shop.run("suppress", "NF-01", "--reason", "in the shop")
        with running.read() as conn:
            assert ledger.standing(conn)[0].state is State.SUPPRESSED
    finally:
        running.close()
