"""Random courses of alarms, failures, deaths, clock moves: each telling has one end, all can be seen."""

from __future__ import annotations

import tempfile
from collections import defaultdict
from contextlib import ExitStack
from itertools import pairwise
from pathlib import Path
from typing import get_args

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule
from structlog.testing import capture_logs

from alerts import sending
from alerts.alarm import Matter
from alerts.pace import HOUR_MS
from models.transition import Priority
from tests.alerts.delivery_machine import Mood, Receipt, opened
from tests.alerts.store import MINUTE

TRUCKS = tuple(f"NF-{number:02d}" for number in range(1, 7))
trucks = st.sampled_from(TRUCKS)
moods = st.sampled_from(get_args(Mood))


class Delivery(RuleBasedStateMachine):
    """Whatever happens, in whatever order."""

    @initialize()
    def begin(self) -> None:
        self.stack = ExitStack()
        self.stack.enter_context(capture_logs())
        folder = self.stack.enter_context(tempfile.TemporaryDirectory())
        self.world = opened(Path(folder))
        self.stack.callback(self.world.database.close)
        self.resent: set[str] = set()
        self.told_again: set[tuple[str, str]] = set()

    @rule(truck=trucks, priority=st.sampled_from((Priority.HIGH, Priority.CRITICAL)))
    def raise_alarm(self, truck: str, priority: Priority) -> None:
        episodes = self.world.episodes.setdefault(truck, [])
        if not episodes or not episodes[-1][2]:
            episodes.append((self.world.now_ms + len(episodes), priority, True))
            self.world.rewrite(truck)

    @rule(truck=trucks)
    def rise(self, truck: str) -> None:
        self._change(truck, priority=Priority.CRITICAL)

    @rule(truck=trucks)
    def clear(self, truck: str) -> None:
        self._change(truck, active=False)

    def _change(
        self, truck: str, *, priority: Priority | None = None, active: bool = True
    ) -> None:
        episodes = self.world.episodes.get(truck)
        if episodes and episodes[-1][2]:
            onset_ms, was, _ = episodes[-1]
            episodes[-1] = (onset_ms, priority or was, active)
            self.world.rewrite(truck)

    @rule(truck=trucks)
    def withdraw(self, truck: str) -> None:
        if self.world.episodes.get(truck):
            self.world.episodes[truck].pop()
            self.world.rewrite(truck)

    @rule(
        ms=st.sampled_from((1, 900, 2_000, 19_000, 60_000, 10 * MINUTE, HOUR_MS, 25 * HOUR_MS))
    )
    def time_passes(self, ms: int) -> None:
        self.world.pass_ms(ms)

    @rule(ms=st.sampled_from((1_000, MINUTE, 40 * HOUR_MS)))
    def clock_is_put_back(self, ms: int) -> None:
        self.world.pass_ms(-ms)

    @rule(channel=st.sampled_from(("desk", "mail", "text")), mood=moods)
    def far_side_changes(self, channel: str, mood: Mood) -> None:
        self.world.sides[channel].mood = mood

    @rule(name=st.sampled_from(("mail/omar", "mail/ines")))
    def somebody_leaves_the_file(self, name: str) -> None:
        self.world.gone ^= {name}

    @rule(die_at=st.integers(min_value=-8, max_value=8))
    def run(self, die_at: int) -> None:
        self.world.run(die_at)

    @rule(seconds=st.integers(min_value=1, max_value=90))
    def run_for_a_while(self, seconds: int) -> None:
        for _ in range(seconds):
            self.world.run()
            self.world.pass_ms(1000)

    @rule(truck=trucks, channel=st.sampled_from(("desk", "mail")), mood=moods)
    def a_hitch(self, truck: str, channel: str, mood: Mood) -> None:
        """An alarm meets a far side in a mood, which is over when the alarm is."""
        self.raise_alarm(truck, Priority.HIGH)
        self.far_side_changes(channel, mood)
        self.run_for_a_while(4)
        self.far_side_changes(channel, "well")
        self.rise(truck)
        self.clear(truck)
        self.run_for_a_while(40)

    @rule(urgent=st.lists(st.booleans(), min_size=4, max_size=12), every_s=st.integers(2, 9))
    def storm(self, urgent: list[bool], every_s: int) -> None:
        """One truck after another, each heard of for the first time."""
        for critical in urgent:
            truck = f"NF-{100 + len(self.world.episodes)}"
            self.raise_alarm(truck, Priority.CRITICAL if critical else Priority.HIGH)
            for _ in range(every_s):
                self.world.run()
                self.world.pass_ms(1000)

    @precondition(lambda self: self.world.received)
    @rule()
    def resend_what_was_given_up(self) -> None:
        with self.world.database.write() as tx:
            dead = sending.dead_letters(tx)
            self.resent |= {each.id for each in dead}
            self.told_again |= {
                (each.destination, alarm_id)
                for each in dead
                for alarm_id, _ in sending.alarms_of(tx, each.id)
            }
            sending.resend_all(tx, None, self.world.now_ms)

    @invariant()
    def a_repeat_says_the_same(self) -> None:
        said: dict[str, set[tuple[str, str, str]]] = defaultdict(set)
        for receipt in self.world.received:
            said[receipt.id].add(receipt.content)
        assert all(len(each) == 1 for each in said.values())

    @invariant()
    def a_telling_is_in_one_sending_only(self) -> None:
        told: dict[tuple[str, object], set[str]] = defaultdict(set)
        for receipt in self.world.received:
            for telling in receipt.tellings:
                alarm_id, matter, _ = telling
                over = matter in (Matter.NORMAL, Matter.WITHDRAWN)
                # What is sent again by hand is followed by the end of its alarm once more.
                if not (over and (receipt.destination, alarm_id) in self.told_again):
                    told[receipt.destination, telling].add(receipt.id)
        assert all(len(ids) == 1 for ids in told.values())

    @invariant()
    def nobody_is_told_more_than_three_times_in_a_minute(self) -> None:
        """In the first 60 s after any notice: three at most, repeats of one counted once."""
        first: dict[tuple[str, str, int], Receipt] = {}
        for receipt in self.world.received:
            first.setdefault((receipt.destination, receipt.id, receipt.era), receipt)
        times: dict[tuple[str, int], list[int]] = defaultdict(list)
        for receipt in first.values():
            if receipt.destination != "desk":
                times[receipt.destination, receipt.era].append(receipt.time_ms)
        for each in times.values():
            for one, fourth in zip(each, each[3:], strict=False):
                assert fourth - one >= MINUTE

    def teardown(self) -> None:
        if not hasattr(self, "world"):
            return
        try:
            self._in_the_end()
        finally:
            self.stack.close()

    def _in_the_end(self) -> None:
        """All is well again: within four hours everything has an end, and the ends fit what arrived."""
        world = self.world
        for side in world.sides.values():
            side.mood = "well"
        world.gone.clear()
        longest_ms = max(
            (
                entry.due_ms - world.now_ms
                for entry in world.entries()
                if entry.state == "pending"
            ),
            default=0,
        )
        for _ in range(6 * 60):
            world.run()
            world.pass_ms(20_000 if longest_ms <= 0 else MINUTE)
        arrived = {receipt.id for receipt in world.received}
        ids = {(receipt.destination, receipt.id) for receipt in world.received}
        assert len(arrived) == len(ids)
        for entry in world.entries():
            assert entry.state in ("delivered", "abandoned", "cancelled")
            if entry.state == "delivered":
                assert entry.sending_id in arrived
            if entry.state == "cancelled":
                assert entry.sending_id is None
        with world.database.read() as conn:
            dead = {each.id for each in sending.dead_letters(conn)}
        given_up = {e.sending_id for e in world.entries() if e.state == "abandoned"}
        assert given_up <= dead
        self._in_order()

    def _in_order(self) -> None:
        """What tells of one alarm arrived first in the order in which it was written."""
        place = {receipt.id: n for n, receipt in reversed(list(enumerate(self.world.received)))}
        came: dict[tuple[str, str], list[int]] = defaultdict(list)
        for entry in self.world.entries():
            name = entry.sending_id
            if name in place and name not in self.resent and not entry.moved_from:
                came[entry.alarm_id, entry.destination].append(place[name])
        for places in came.values():
            assert all(before <= after for before, after in pairwise(places))


Delivery.TestCase.settings = settings(
    max_examples=15,
    stateful_step_count=30,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
TestDelivery = Delivery.TestCase
