"""Whatever forecasts, levels, clocks and processes do: no date is told that was told, none twice."""

from __future__ import annotations

import math
import sqlite3
from contextlib import ExitStack
from itertools import groupby, pairwise
from pathlib import Path
from tempfile import TemporaryDirectory
from zoneinfo import ZoneInfo

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
)

from alerts import journal, outbox
from alerts.ledger import Alarm
from alerts.outbox import Entry
from alerts.policy import Policy, Route
from alerts.service_date import DateRules, Outlook
from deploy.database import Database
from deploy.schedule import Schedule, wall_clock
from deploy.service_review import reviewing
from ingest.held import Held
from models.transition import Priority, Transition
from tests.alerts.service_dates import DAY, due, numbers
from tests.alerts.store import MINUTE, NOON
from tests.deploy.store import pipeline
from tests.recorded import climb, message

HOUR = 60 * MINUTE
RULES = DateRules(moved_ms=14 * DAY, quiet_ms=14 * DAY)
POLICY = Policy(
    routes=(Route(channel="desk"), Route(channel="phone", min_priority=Priority.HIGH)),
    late_after_ms=10**15,
)
TRUCK = "NF-01"
TELLS_A_DATE = ("active", "rise", "date_moved")


def far_apart(told_ms: float, due_ms: float) -> bool:
    if math.isnan(told_ms) or math.isnan(due_ms):
        return math.isnan(told_ms) != math.isnan(due_ms)
    return abs(due_ms - told_ms) > RULES.moved_ms


class Looks(RuleBasedStateMachine):
    """A truck whose forecast anybody may set, looked at hour by hour in a zone with both changes."""

    @initialize(level=st.integers(0, 3))
    def begin(self, level: int) -> None:
        self.stack = ExitStack()
        folder = Path(self.stack.enter_context(TemporaryDirectory()))
        self.database = Database(folder / "heatbook.db", synchronous="off")
        self.stack.callback(self.database.close)
        running = pipeline(self.database)
        # What its samples say is not asked: another truck's will do, one that is not due.
        running.commit([message("NF-03", climb(2, start_ms=NOON))])
        self.held: Held = running.trucks["NF-03"]
        self.now_ms = self.newest_ms = NOON
        self.due_day = 60.0
        self.level = 0
        self.by_clock = 0
        self.said: list[Transition] = []
        self.crashes = False
        self.left_behind: list[str] = []
        self.looks = 0
        self.restart()
        if level:
            self.samples_reach(level)

    def teardown(self) -> None:
        if hasattr(self, "stack"):
            self.stack.close()

    def work(self, tx: sqlite3.Connection, now_ms: int) -> None:
        look = reviewing(
            lambda: {TRUCK: self.held}, rules=RULES, policy=POLICY, look=self.outlook
        )
        look(tx, now_ms)
        self.left_behind += [
            one.id for one in journal.standing(tx) if one.active and self.off(tx, one, now_ms)
        ]
        self.looks += 1
        if self.crashes:
            raise ConnectionAbortedError("the process dies before the commit")

    def off(self, tx: sqlite3.Connection, alarm: Alarm, now_ms: int) -> bool:
        """Say whether people still go by a date that moved, or by a level that has been passed."""
        told = outbox.newest_told(tx, alarm)
        if told is None or told.priority < max(self.level, self.by_clock):
            return True
        if now_ms - self.newest_ms > RULES.quiet_ms:
            return told.matter == "date_moved" and told.created_ms == now_ms
        due_ms = NOON + self.due_day * DAY
        return not due_ms <= now_ms and far_apart(told.evidence["due_median_ms"], due_ms)

    def outlook(self, _truck: Held, _now_ms: int) -> Outlook:
        return Outlook(
            priority=max(self.level, self.by_clock),
            probability=1.0,
            evidence=numbers(self.due_day),
            newest_ms=self.newest_ms,
        )

    @rule()
    def restart(self) -> None:
        self.schedule = Schedule(self.database, ZoneInfo("CET"), uptime_ms=lambda: 0)
        self.schedule.add("service dates", wall_clock(hour=6), self.work)

    @rule(due_day=st.one_of(st.floats(-20, 400), st.just(math.nan)))
    def forecast(self, due_day: float) -> None:
        self.due_day = due_day

    @precondition(lambda self: self.level < 3)
    @rule(level=st.integers(1, 3))
    def samples_reach(self, level: int) -> None:
        """Samples say a higher level; a truck that is heard has data."""
        self.newest_ms = max(self.newest_ms + 1, self.now_ms)
        if level > self.level:
            self.level = level
            day = (self.newest_ms - NOON) / DAY
            onset_ms = self.said[0].onset_ms if self.said else NOON + round(day * DAY)
            self.said.append(
                due(
                    day,
                    self.due_day,
                    Priority(level),
                    onset_day=(onset_ms - NOON) / DAY,
                )
            )
            with self.database.write() as tx:
                journal.rewrite(
                    tx,
                    vehicle=TRUCK,
                    after_ms=0,
                    transitions=self.said,
                    now_ms=self.now_ms,
                    policy=POLICY,
                )

    @rule()
    def data(self) -> None:
        self.newest_ms = max(self.newest_ms, self.now_ms)

    @rule(level=st.integers(0, 3))
    def age(self, level: int) -> None:
        self.by_clock = level

    @rule()
    def acknowledge(self) -> None:
        with self.database.write() as tx:
            for alarm in journal.standing(tx):
                journal.acknowledge(tx, alarm.id, by="A. Foreman", now_ms=self.now_ms)

    @rule(hours=st.integers(1, 24 * 20))
    def wait(self, hours: int) -> None:
        """Let time pass, with a look every hour at first and one at the end."""
        for _ in range(min(hours, 30)):
            self.now_ms += HOUR
            self.schedule.run_due(self.now_ms)
        self.now_ms += (hours - min(hours, 30)) * HOUR
        self.schedule.run_due(self.now_ms)

    @rule(jump_ms=st.sampled_from([-365 * DAY, -25 * HOUR, -HOUR, HOUR, 365 * DAY]))
    def clock_jumps(self, jump_ms: int) -> None:
        self.now_ms += jump_ms
        self.schedule.run_due(self.now_ms)

    @rule()
    def crash_in_the_next_look(self) -> None:
        before = self.entries()
        self.crashes = True
        self.now_ms += DAY
        self.schedule.run_due(self.now_ms)
        self.crashes = False
        assert self.entries() == before
        self.restart()
        self.schedule.run_due(self.now_ms)
        after = self.entries()
        self.restart()
        self.schedule.run_due(self.now_ms)
        assert self.entries() == after

    @rule()
    def wait_for_the_next_look(self) -> None:
        before = self.looks
        self.now_ms += 25 * HOUR
        self.schedule.run_due(self.now_ms)
        assert self.looks >= before

    def entries(self) -> list[Entry]:
        with self.database.read() as conn:
            return outbox.entries(conn)

    @invariant()
    def each_date_differs_from_the_one_told_before(self) -> None:
        rows = [one for one in self.entries() if one.destination == "desk"]
        rows.sort(key=lambda one: one.alarm_id)  # stable: within an alarm as they were written
        for _, of_alarm in groupby(rows, key=lambda one: (one.alarm_id, one.turn)):
            dates = [one for one in of_alarm if one.matter.value in TELLS_A_DATE]
            for before, after in pairwise(dates):
                if after.matter.value == "date_moved":
                    assert far_apart(
                        *(one.evidence["due_median_ms"] for one in (before, after))
                    )

    @invariant()
    def after_a_look_nobody_goes_by_what_no_longer_holds(self) -> None:
        assert self.left_behind == []

    @invariant()
    def nothing_is_told_twice(self) -> None:
        rows = self.entries()
        assert len({one.id for one in rows}) == len(rows)
        once = [
            (one.alarm_id, one.destination, one.matter.value, one.turn, one.priority)
            for one in rows
            if one.matter.value in ("active", "rise")
        ]
        assert len(set(once)) == len(once)
        silent = [
            (one.alarm_id, one.destination, one.turn, one.evidence["no_data_since_ms"])
            for one in rows
            if one.matter.value == "no_data"
        ]
        assert len(set(silent)) == len(silent)


Looks.TestCase.settings = settings(max_examples=60, stateful_step_count=30, deadline=None)
test_looks = Looks.TestCase
