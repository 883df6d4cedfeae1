"""The daemon's clock when the system's jumps: what the trucks say decides."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.watch import SILENT
from deploy.held_back import MOST, Waiting
from deploy.steady_clock import AGREES_MS, DOUBT_MS, LISTEN_MS, MADE_MS, STEP_MS, SteadyClock
from ingest.decoded import WireRules
from ingest.message import Message, Receipt
from tests.deploy.test_daemon import DAY, Running
from tests.recorded import MINUTE_MS, message

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
YEAR_MS = 365 * DAY_MS
NOW_MS = MADE_MS + 2 * YEAR_MS
JUMPS = [sign * span for span in (HOUR_MS, DAY_MS, YEAR_MS) for sign in (1, -1)]


class Machine:
    """A machine whose clock can be set."""

    def __init__(self, wall_ms: int = NOW_MS, *, last_ms: int = 0) -> None:
        self.up_ms = 0
        self.begun_ms = wall_ms
        self.clock = SteadyClock(self.wall, lambda: self.up_ms, last_ms=last_ms)

    def wall(self) -> int:
        return self.begun_ms + self.up_ms


@pytest.mark.parametrize("jump_ms", JUMPS)
def test_goes_on_evenly_while_the_trucks_contradict(jump_ms: int) -> None:
    machine = Machine()
    machine.begun_ms += jump_ms
    for minute in range(48 * 60):
        machine.up_ms = minute * 60_000
        true_ms = NOW_MS + machine.up_ms
        assert machine.clock() == true_ms
        machine.clock.hear({"NF-01": true_ms - 2_000})
    assert machine.clock.in_doubt
    assert machine.clock.doubt_ms == jump_ms


@pytest.mark.parametrize("jump_ms", JUMPS)
def test_follows_when_the_trucks_agree(jump_ms: int) -> None:
    machine = Machine(NOW_MS - jump_ms)  # wrong before
    machine.begun_ms = NOW_MS
    machine.clock.hear({"NF-01": NOW_MS - 2_000})
    if jump_ms < 0:
        assert machine.clock() == NOW_MS - jump_ms
        machine.up_ms = LISTEN_MS
    assert machine.clock() == NOW_MS + machine.up_ms
    assert not machine.clock.in_doubt
    assert machine.clock.jumped
    assert not machine.clock.jumped  # said once


def test_a_stored_sample_as_old_as_the_jump_is_wide_does_not_set_the_clock_back() -> None:
    machine = Machine()
    machine.begun_ms -= HOUR_MS
    machine.clock.hear({"NF-01": NOW_MS - HOUR_MS})
    assert machine.clock() == NOW_MS
    machine.up_ms = 5_000
    machine.clock.hear({"NF-02": NOW_MS + 4_000, "NF-03": NOW_MS + 4_000})
    machine.up_ms = DOUBT_MS
    assert machine.clock() == NOW_MS + DOUBT_MS


@pytest.mark.parametrize("jump_ms", JUMPS)
def test_follows_after_a_while_when_nobody_speaks(jump_ms: int) -> None:
    machine = Machine()
    machine.begun_ms += jump_ms
    assert machine.clock() == NOW_MS
    machine.up_ms += DOUBT_MS - 1
    assert machine.clock() == NOW_MS + DOUBT_MS - 1
    machine.up_ms += 1
    assert machine.clock() == NOW_MS + DOUBT_MS + jump_ms


def test_one_truck_with_the_same_wrong_clock_does_not_outvote_the_others() -> None:
    machine = Machine()
    machine.begun_ms += DAY_MS
    machine.clock.hear({"NF-01": NOW_MS, "NF-02": NOW_MS + DAY_MS, "NF-03": NOW_MS})
    assert machine.clock() == NOW_MS


def test_a_backlog_says_nothing() -> None:
    machine = Machine()
    machine.begun_ms += YEAR_MS
    machine.clock.hear({"NF-01": NOW_MS - DAY_MS, "NF-02": NOW_MS + 10 * YEAR_MS})
    machine.up_ms += DOUBT_MS
    assert machine.clock() == NOW_MS + YEAR_MS + DOUBT_MS


@given(
    st.lists(st.tuples(st.integers(0, 600_000), st.integers(-STEP_MS, STEP_MS)), max_size=30)
)
def test_small_corrections_are_followed_at_once(steps: list[tuple[int, int]]) -> None:
    machine = Machine()
    for waited_ms, step_ms in steps:
        machine.clock()  # it looks before and after
        machine.up_ms += waited_ms
        machine.clock()
        machine.begun_ms += step_ms
        assert machine.clock() == machine.wall()


def test_begins_where_the_store_ended_when_the_system_reads_earlier() -> None:
    machine = Machine(NOW_MS - YEAR_MS, last_ms=NOW_MS)
    assert machine.clock() == NOW_MS
    assert machine.clock.must_wait({"NF-01": NOW_MS + 2 * HOUR_MS})
    machine.begun_ms = NOW_MS + 2 * HOUR_MS  # set right
    assert not machine.clock.must_wait({"NF-01": NOW_MS + 2 * HOUR_MS})
    assert machine.clock() == NOW_MS + 2 * HOUR_MS
    assert machine.clock.jumped


def test_a_clock_that_was_ahead_before_the_restart_is_found_out_by_the_trucks() -> None:
    machine = Machine(NOW_MS, last_ms=NOW_MS + YEAR_MS)
    assert machine.clock() == NOW_MS + YEAR_MS
    assert not machine.clock.must_wait({"NF-01": NOW_MS - 1_000})
    machine.up_ms = LISTEN_MS
    assert machine.clock() == NOW_MS + LISTEN_MS
    assert machine.clock.jumped


def test_a_truck_far_ahead_does_not_hold_up_a_clock_that_was_set_back_on_purpose() -> None:
    machine = Machine(NOW_MS, last_ms=NOW_MS + DAY_MS)
    assert machine.clock.must_wait({"NF-01": NOW_MS + 10 * YEAR_MS})
    machine.up_ms = DOUBT_MS
    assert not machine.clock.must_wait({"NF-01": NOW_MS + 10 * YEAR_MS})
    assert machine.clock() == NOW_MS + DOUBT_MS


def test_a_truck_years_ahead_does_not_hold_up_the_others_while_the_clock_reads_less() -> None:
    machine = Machine(NOW_MS - YEAR_MS, last_ms=NOW_MS)
    others = {"NF-02": NOW_MS + 1_000, "NF-03": NOW_MS}
    assert not machine.clock.must_wait({"NF-01": NOW_MS + 10 * YEAR_MS, **others})
    assert machine.clock.must_wait({"NF-01": NOW_MS + 10 * YEAR_MS, "NF-04": NOW_MS - DAY_MS})
    assert machine.clock.must_wait({"NF-01": NOW_MS + 2 * HOUR_MS, **others})


def test_a_machine_without_a_battery_waits_for_its_time_however_long() -> None:
    machine = Machine(0)
    machine.up_ms = DAY_MS
    assert machine.clock.must_wait({"NF-01": NOW_MS})
    machine.begun_ms = NOW_MS
    assert not machine.clock.must_wait({"NF-01": NOW_MS})
    assert machine.clock() == NOW_MS + DAY_MS


def _message(time_ms: int, mid: int, connection: int = 1) -> Message:
    payload = json.dumps({"time": time_ms / 1000, "fluid_temp_c": 90.0}).encode()
    receipt = Receipt(mid=mid, qos=1, connection=connection)
    return Message(topic="fleet/NF-01/telemetry", payload=payload, receipt=receipt)


def test_what_cannot_be_judged_waits_in_its_order_and_unacknowledged() -> None:
    machine = Machine(0)
    waiting = Waiting(machine.clock, WireRules())
    first, second, third = (_message(NOW_MS + number, number) for number in range(3))
    assert waiting.ripe([first], 1) == []
    assert waiting.ripe([second], 1) == []
    assert len(waiting) == 2
    machine.begun_ms = NOW_MS
    assert waiting.ripe([third], 1) == [first, second, third]
    assert len(waiting) == 0


def test_what_an_earlier_connection_brought_is_let_go_for_it_comes_again() -> None:
    machine = Machine(0)
    waiting = Waiting(machine.clock, WireRules())
    assert waiting.ripe([_message(NOW_MS, 1)], 1) == []
    again = _message(NOW_MS, 1, connection=2)
    assert waiting.ripe([again], 2) == []
    machine.begun_ms = NOW_MS
    assert waiting.ripe([], 2) == [again]


def test_what_a_broker_has_lost_with_its_session_is_not_let_go() -> None:
    machine = Machine(0)
    waiting = Waiting(machine.clock, WireRules())
    first, second = _message(NOW_MS, 1), _message(NOW_MS + 1, 1, connection=2)
    assert waiting.ripe([first], 1) == []
    assert waiting.ripe([second], 2) == []
    machine.begun_ms = NOW_MS
    assert waiting.ripe([], 2) == [first, second]


def test_only_what_nobody_waits_for_us_to_acknowledge_is_bounded() -> None:
    machine = Machine(0)
    waiting = Waiting(machine.clock, WireRules())
    owed = [_message(NOW_MS + number, number) for number in range(MOST + 2)]
    loose = [replace(each, receipt=None) for each in owed]
    assert waiting.ripe([*loose, *owed], 1) == []
    machine.begun_ms = NOW_MS
    assert waiting.ripe([], 1) == [*loose[2:], *owed]


def test_while_the_clock_is_right_nothing_waits() -> None:
    machine = Machine()
    ahead = [_message(NOW_MS + 2 * AGREES_MS, 1)]
    assert Waiting(machine.clock, WireRules()).ripe(ahead, 1) is ahead
    assert Waiting(None, WireRules()).ripe(ahead, 1) is ahead


def test_nobody_is_silent_by_a_jump_of_the_clock(tmp_path: Path) -> None:
    """After a start without a battery the clock is set right: hours pass at once, and nobody was heard."""
    running = Running(tmp_path, newest=19)
    machine = Machine(running.now_ms - DAY_MS, last_ms=running.now_ms)
    daemon, clock = running.daemon, machine.clock
    daemon._parts = replace(daemon._parts, steady=clock, now_ms=clock)
    daemon._parts.pipeline._now_ms = clock
    daemon.take_up()
    running.source.feed([message(name, DAY[:20]) for name in ("NF-01", "NF-02")])
    daemon.turn()
    assert len(running.source.acked) == 2

    def silent() -> list[str]:
        daemon._watch_due_ms = 0
        daemon.turn()
        return [each.vehicle for each in running.standing() if each.kind == SILENT]

    assert silent() == []
    machine.begun_ms += DAY_MS + 2 * HOUR_MS
    assert silent() == []
    machine.up_ms += 20 * MINUTE_MS
    assert silent() == ["*"]
    running.database.close()
