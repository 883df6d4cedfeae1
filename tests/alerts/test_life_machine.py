"""What must hold of a store of alarms, whatever happens to it.

Own rules: its history leads to its state; nobody is told of what is held; nobody is told the same twice
(that of an outbox with stable names); whoever was told that an alarm stands is told that it does not.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    invariant,
    rule,
)

from alerts import chatter, hold, holds, ledger, outbox
from alerts.alarm import HELD, Matter, State
from alerts.history import events
from alerts.holds import BadHold
from alerts.journal import alarms
from alerts.ledger import Alarm
from alerts.lifecycle import CameAgain, acknowledge, reset
from alerts.policy import Policy, Route
from alerts.silence import catch_up
from models.transition import Priority, Transition
from tests.alerts.life import HOUR, deliver, spans
from tests.alerts.store import MINUTE, NOON, memory, transition, write

TRUCKS = ("NF-01",)
KINDS = ("bypass_stuck", "overcooled")
POLICY = Policy(
    routes=(Route(channel="desk"), Route(channel="phone", min_priority=Priority.HIGH)),
    latching={"bypass_stuck": Priority.LOW},
)
PICKS = st.integers(0, 99)
PAIRS = st.tuples(st.sampled_from(TRUCKS), st.sampled_from(KINDS))
PRIORITIES = st.sampled_from([Priority.MEDIUM, Priority.HIGH, Priority.CRITICAL])
STANDS = (Matter.ACTIVE, Matter.RISE, Matter.CHATTER)


class Store(RuleBasedStateMachine):
    """A truck, two kinds of alarm, people who answer, hold and let go; and time that passes."""

    def __init__(self) -> None:
        super().__init__()
        self.conn = memory()
        self.now_ms = NOON
        self.written: dict[str, list[Transition]] = defaultdict(list)
        self.open: dict[tuple[str, str], int] = {}
        self.posted = 0

    # What the samples bring.

    @rule(pair=PAIRS, priority=PRIORITIES)
    def come_or_rise(self, pair: tuple[str, str], priority: Priority) -> None:
        onset_ms = self.open.setdefault(pair, self.now_ms)
        self._append(pair, onset_ms, active=True, priority=priority)

    @rule(pair=PAIRS)
    def go(self, pair: tuple[str, str]) -> None:
        onset_ms = self.open.pop(pair, None)
        if onset_ms is not None:
            self._append(pair, onset_ms, active=False, priority=Priority.HIGH)

    @rule(pair=PAIRS, ago_min=st.integers(1, 300), long_min=st.integers(1, 60))
    def find_late(self, pair: tuple[str, str], ago_min: int, long_min: int) -> None:
        """A whole episode of the past turns up."""
        start_ms = self.now_ms - ago_min * MINUTE
        stop_ms = min(start_ms + long_min * MINUTE, self.now_ms - 1)
        truck, kind = pair
        of_kind = [each for each in self.written[truck] if each.kind == kind]
        held = spans(of_kind, open_ms=self.open.get(pair), now_ms=self.now_ms)
        if any(first <= stop_ms + 1 and start_ms - 1 <= last for first, last in held):
            return
        for time_ms, active in ((start_ms, True), (stop_ms, False)):
            self.written[truck].append(
                transition(time_ms, start_ms, active=active, kind=kind, vehicle=truck)
            )
        self._write(truck)

    @rule(pair=PAIRS, ended=st.booleans())
    def later_samples_change_the_last_episode(self, pair: tuple[str, str], ended: bool) -> None:
        """It never was, or (``ended`` False) it never ended."""
        truck, kind = pair
        of_kind = [each for each in self.written[truck] if each.kind == kind]
        if not of_kind:
            return
        onset_ms = max(each.onset_ms for each in of_kind)
        changed = [
            each
            for each in self.written[truck]
            if (each.kind, each.onset_ms) != (kind, onset_ms) or (each.active and not ended)
        ]
        self.written[truck] = changed
        if ended:
            self.open.pop(pair, None)
        else:
            self.open[pair] = onset_ms
        self.now_ms += 1000
        self._write(truck)

    @rule(pair=PAIRS)
    def the_last_two_episodes_become_one(self, pair: tuple[str, str]) -> None:
        truck, kind = pair
        of_kind = [each for each in self.written[truck] if each.kind == kind]
        onsets = sorted({each.onset_ms for each in of_kind})[-2:]
        if len(onsets) == 1 or not onsets:
            return
        first, second = onsets
        self.written[truck] = [
            replace(each, onset_ms=first)
            if (each.kind, each.onset_ms) == (kind, second)
            else each
            for each in self.written[truck]
            if (each.kind, each.onset_ms, each.active) != (kind, first, False)
        ]
        if pair in self.open:
            self.open[pair] = first
        self.now_ms += 1000
        self._write(truck)

    # What people do.

    @rule(pick=PICKS, looked=st.booleans())
    def answer(self, pick: int, looked: bool) -> None:
        found = self._all()
        if not found:
            return
        one = found[pick % len(found)]
        try:
            if looked:
                reset(self.conn, one.id, by="Kim", now_ms=self.now_ms)
                return
            known = acknowledge(self.conn, one.id, by="Kim", now_ms=self.now_ms, turn=one.turn)
        except CameAgain:
            return
        assert known.state not in (State.UNACKNOWLEDGED, State.RETURNED, State.LATCHED)

    @rule(
        state=st.sampled_from(sorted(HELD)),
        truck=st.sampled_from(TRUCKS),
        kind=st.sampled_from([*KINDS, None]),
        hours=st.integers(1, 48),
    )
    def hold(self, state: State, truck: str, kind: str | None, hours: int) -> None:
        try:
            holds.place(
                self.conn,
                state=state,
                vehicle=truck,
                kind=kind,
                until_ms=self.now_ms + hours * HOUR,
                by="Kim",
                reason="in the shop",
                now_ms=self.now_ms,
                policy=POLICY,
            )
        except BadHold:
            assert hours > 24  # a critical one stands
        self._nobody_was_told_of_what_is_held()

    @rule(pick=PICKS)
    def let_go(self, pick: int) -> None:
        found = hold.standing(self.conn, self.now_ms)
        if found:
            one = found[pick % len(found)]
            holds.release(self.conn, one.id, by="Kim", now_ms=self.now_ms, policy=POLICY)
            self._nobody_was_told_of_what_is_held()

    # What time brings.

    @rule(seconds=st.sampled_from([1, 20, 61, 300, 901, 1801, 7200, 90_000]))
    def time_passes(self, seconds: int) -> None:
        self.now_ms += seconds * 1000
        holds.tick(self.conn, now_ms=self.now_ms, policy=POLICY)
        chatter.tick(self.conn, now_ms=self.now_ms, policy=POLICY)
        self._nobody_was_told_of_what_is_held()

    @rule()
    def data_are_current(self) -> None:
        newest = dict.fromkeys(TRUCKS, self.now_ms)
        catch_up(self.conn, newest_ms=newest, now_ms=self.now_ms, policy=POLICY)
        self._nobody_was_told_of_what_is_held()

    @rule(channels=st.sampled_from([("desk",), ("phone",), ("desk", "phone")]))
    def send(self, channels: tuple[str, ...]) -> None:
        for channel in channels:
            deliver(self.conn, self.now_ms, channel)

    # What must hold.

    @invariant()
    def the_history_leads_to_the_state(self) -> None:
        seen: dict[str, State] = {}
        for each in events(self.conn):
            assert each.before is seen.get(each.alarm_id, State.NORMAL)
            seen[each.alarm_id] = each.after
        assert seen == {alarm.id: alarm.state for alarm in self._all()}

    @invariant()
    def the_holds_say_what_is_held(self) -> None:
        for alarm in ledger.standing(self.conn):
            cover = hold.cover(
                self.conn,
                alarm.vehicle,
                alarm.kind,
                self.now_ms,
                priority=alarm.priority,
                rules=POLICY.holds,
            )
            # A shelf ends for what is critical at the next look, not in the moment it becomes so.
            if alarm.priority is not Priority.CRITICAL:
                assert (alarm.state if alarm.state in HELD else None) == (
                    cover.state if cover else None
                )

    @invariant()
    def nobody_is_told_the_same_twice(self) -> None:
        """One matter once a turn, and that it is over only where something was said to stand."""
        pairs = {alarm.id: (alarm.vehicle, alarm.kind) for alarm in self._all()}
        stands: dict[tuple[str, str, str], set[str]] = defaultdict(set)
        seen: set[tuple[object, ...]] = set()
        for entry in outbox.entries(self.conn):
            own = stands[(*pairs[entry.alarm_id], entry.destination)]
            if entry.matter in STANDS:
                own.add(entry.alarm_id)  # what was cancelled since was to be said then
            if entry.state == "cancelled":
                continue
            if entry.matter is Matter.NORMAL:
                assert own
                own -= {entry.alarm_id} & own or set(own)
                continue
            rise = entry.priority if entry.matter is Matter.RISE else None
            key = (entry.alarm_id, entry.turn, entry.destination, entry.matter, rise)
            assert key not in seen
            seen.add(key)

    def teardown(self) -> None:
        """Let all come to rest: who was told that it stands is told in the end that it does not."""
        for truck, kind in list(self.open):
            self.now_ms += MINUTE
            onset_ms = self.open.pop((truck, kind))
            self._append((truck, kind), onset_ms, active=False, priority=Priority.HIGH)
        for one in hold.standing(self.conn, self.now_ms):
            holds.release(self.conn, one.id, by="Kim", now_ms=self.now_ms, policy=POLICY)
        self.now_ms += HOUR
        chatter.tick(self.conn, now_ms=self.now_ms, policy=POLICY)
        believes: dict[tuple[str, str, str], bool] = {}
        pairs = {alarm.id: (alarm.vehicle, alarm.kind) for alarm in self._all()}
        for destination in ("desk", "phone"):
            deliver(self.conn, self.now_ms + HOUR, destination)
            for entry in outbox.entries(self.conn, state="delivered"):
                if entry.destination == destination:
                    key = (destination, *pairs[entry.alarm_id])
                    believes[key] = entry.matter in STANDS
        assert not any(believes.values()), believes
        assert not any(alarm.chattering or alarm.state in HELD for alarm in self._all())

    def _append(
        self, pair: tuple[str, str], onset_ms: int, *, active: bool, priority: Priority
    ) -> None:
        self.now_ms += 1000
        truck, kind = pair
        self.written[truck].append(
            transition(
                self.now_ms,
                onset_ms,
                active=active,
                priority=priority,
                kind=kind,
                vehicle=truck,
            )
        )
        self._write(truck)

    def _write(self, truck: str) -> None:
        write(
            self.conn,
            self.written[truck],
            now_ms=self.now_ms,
            vehicle=truck,
            policy=POLICY,
        )
        self._nobody_was_told_of_what_is_held()

    def _nobody_was_told_of_what_is_held(self) -> None:
        """Look at the tellings that are new since the last look."""
        entries = outbox.entries(self.conn)
        held = {alarm.id for alarm in self._all() if alarm.state in HELD}
        assert not any(entry.alarm_id in held for entry in entries[self.posted :])
        self.posted = len(entries)

    def _all(self) -> list[Alarm]:
        return alarms(self.conn, limit=99_999)


TestStore = Store.TestCase
TestStore.settings = settings(max_examples=120, stateful_step_count=50, deadline=None)
