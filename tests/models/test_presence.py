"""From a level to an event: delays, rises, gaps; and the worked example of the alarm handbooks."""

from __future__ import annotations

import math
from collections.abc import Iterable
from random import Random

import pytest

from models.layout import blank, dtype_of, record
from models.presence import Presence, settle

Change = tuple[float, int]


def changes(
    levels: Iterable[tuple[float, int]],
    *,
    on_s: float = 0.0,
    off_s: float = 0.0,
    breaks: frozenset[float] = frozenset(),
) -> list[Change]:
    """Run levels (second, priority) through the delays; ``breaks`` are seconds that ended a gap."""
    presence = record(blank(dtype_of(Presence)))
    found = []
    for second, priority in levels:
        now_ms = 1_000_000 + round(second * 1000)
        change = settle(presence, priority, now_ms, second not in breaks, on_s, off_s)
        if change:
            found.append((second, change))
    return found


def every(seconds: int, *priorities: int) -> list[tuple[float, int]]:
    return [(float(seconds * row), priority) for row, priority in enumerate(priorities)]


def test_without_delays_each_edge_is_an_event() -> None:
    assert changes(every(10, 0, 2, 2, 0, 0, 3)) == [(10, 2), (30, -1), (50, 3)]


def test_an_on_delay_waits_and_forgets_what_did_not_last() -> None:
    assert changes(every(10, 0, 2, 2, 0, 2, 2, 2, 2), on_s=30) == [(70, 2)]


def test_the_least_priority_held_throughout_is_the_one_that_is_sure() -> None:
    assert changes(every(10, 4, 3, 4, 4), on_s=30) == [(30, 3)]


def test_a_rise_waits_its_delay_again_and_is_one_more_event() -> None:
    assert changes(every(10, 2, 2, 2, 4, 4, 4), on_s=20) == [(20, 2), (50, 4)]


def test_a_fall_in_priority_is_no_event() -> None:
    assert changes(every(10, 4, 2, 2, 4, 0)) == [(0, 4), (40, -1)]


def test_an_off_delay_bridges_a_short_absence() -> None:
    assert changes(every(10, 2, 0, 2, 0, 0, 0, 0), off_s=30) == [(0, 2), (60, -1)]


def test_an_on_delay_does_not_run_through_a_gap() -> None:
    levels = [(0.0, 2), (1000.0, 2), (1010.0, 2), (1020.0, 2), (1030.0, 2)]
    found = changes(levels, on_s=30, breaks=frozenset({1000.0}))
    assert found == [(1030, 2)]


def test_after_a_gap_a_condition_that_is_gone_clears_at_once() -> None:
    levels = [(0.0, 2), (1000.0, 0)]
    assert changes(levels, off_s=300, breaks=frozenset({1000.0})) == [(0, 2), (1000, -1)]


def test_a_condition_that_outlives_a_gap_stands() -> None:
    levels = [(0.0, 2), (1000.0, 2), (1010.0, 0), (1020.0, 2)]
    assert changes(levels, off_s=300, breaks=frozenset({1000.0})) == [(0, 2)]


def test_the_onset_names_the_episode_through_every_rise() -> None:
    presence = record(blank(dtype_of(Presence)))
    onsets = []
    for second, priority in every(10, 2, 3, 4, 0, 2):
        if settle(presence, priority, 1_000_000 + round(second * 1000), True, 0.0, 0.0) > 0:
            onsets.append(presence.onset_ms)
    assert onsets == [1_000_000, 1_000_000, 1_000_000, 1_040_000]


# Worked example: 120 °C ± 1.5 K with a period of two minutes, a sample every 10 s, 20 minutes, limit 121 °C.
# EEMUA 191 and ISA TR18.2.3 start temperatures at a delay of 60 s and a deadband of 1 % (from memory).
LIMIT_C = 121.0


def sine() -> list[tuple[float, float]]:
    return [
        (float(second), 120.0 + 1.5 * math.sin(2.0 * math.pi * second / 120.0))
        for second in range(0, 1200, 10)
    ]


def levels_of(
    trace: Iterable[tuple[float, float]], deadband_k: float
) -> list[tuple[float, int]]:
    """Turn temperatures into a level, on above the limit, off below limit minus deadband."""
    on = 0
    found = []
    for second, celsius in trace:
        if celsius > LIMIT_C:
            on = 2
        elif celsius < LIMIT_C - deadband_k:
            on = 0
        found.append((second, on))
    return found


@pytest.mark.parametrize(
    ("deadband_k", "delay_s", "alarms"), [(0.0, 0.0, 10), (3.0, 0.0, 1), (0.0, 60.0, 0)]
)
def test_a_sine_about_the_limit(deadband_k: float, delay_s: float, alarms: int) -> None:
    found = changes(levels_of(sine(), deadband_k), on_s=delay_s, off_s=delay_s)
    assert sum(change > 0 for _, change in found) == alarms


def test_a_deadband_alone_does_not_stop_the_alarms_of_noise() -> None:
    # Worked example: 118 °C with noise of 1.5 K for 24 h: near 200 alarms by deadband alone; none where
    # the limit itself must be passed throughout the delay.
    rng = Random(191)
    noise = [(float(second), rng.gauss(118.0, 1.5)) for second in range(0, 86_400, 10)]
    by_deadband = [one for one in changes(levels_of(noise, 3.0)) if one[1] > 0]
    assert 120 < len(by_deadband) < 280
    assert changes(levels_of(noise, 0.0), on_s=60.0, off_s=60.0) == []
    # Both together: a delay that runs on through the deadband lets one in fifty by.
    both = [one for one in changes(levels_of(noise, 3.0), on_s=60.0, off_s=60.0) if one[1] > 0]
    assert len(both) < len(by_deadband) / 20
