"""How soon a reader is told again: the rules alone, and walks through storms."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.pace import HOUR_MS, PaceRules, Waiting, next_ms
from tests.alerts.store import NOON

RULES = PaceRules()
SECOND = 1000
times = st.lists(st.integers(NOON - HOUR_MS + 1, NOON), max_size=15).map(sorted)


def walk(waits: dict[int, bool], *, until_ms: int) -> list[int]:
    """Tell a reader whenever the rules allow it; ``waits``: what comes when [ms], critical or not."""
    told: list[int] = []
    pending: dict[int, bool] = {}
    for now_ms in range(NOON, NOON + until_ms, SECOND):
        pending |= {at: critical for at, critical in waits.items() if at == now_ms}
        if not pending:
            continue
        waiting = Waiting(
            since_ms=min(pending),
            critical_since_ms=min(
                (at for at, critical in pending.items() if critical), default=None
            ),
        )
        recent = [at for at in told if at > now_ms - HOUR_MS]
        if next_ms(recent, waiting, RULES) <= now_ms:
            told.append(now_ms)
            pending.clear()
    return told


def test_in_calm_the_first_waits_only_for_those_that_come_with_it() -> None:
    assert next_ms([], Waiting(since_ms=NOON), RULES) == NOON + RULES.gather_ms
    assert RULES.gather_ms <= 5 * SECOND


def test_after_an_hour_a_reader_is_told_at_once_again() -> None:
    """What was told an hour ago no longer counts: the caller gives the last hour alone."""
    old = [NOON - 55 * 60 * SECOND]
    assert next_ms(old, Waiting(since_ms=NOON), RULES) == NOON + RULES.gather_ms


@pytest.mark.parametrize("critical", [False, True])
def test_a_storm_tells_three_times_in_its_first_minute_at_most(*, critical: bool) -> None:
    storm = {NOON + second * SECOND: critical for second in range(3600)}
    told = walk(storm, until_ms=HOUR_MS)
    assert len([at for at in told if at < told[0] + 60 * SECOND]) == 3
    if not critical:
        assert len(told) == RULES.per_hour


@given(st.sets(st.integers(0, 3599), min_size=1, max_size=200), st.data())
def test_whatever_comes_nobody_is_told_four_times_in_a_minute_and_critical_waits_20_s(
    seconds: set[int], draw: st.DataObject
) -> None:
    critical = draw.draw(st.sets(st.sampled_from(sorted(seconds))))
    waits = {NOON + second * SECOND: second in critical for second in seconds}
    told = walk(waits, until_ms=HOUR_MS + 60 * SECOND)
    for one, fourth in zip(told, told[3:], strict=False):
        assert fourth - one >= 60 * SECOND
    for second in critical:
        came = NOON + second * SECOND
        assert min(at for at in told if at >= came) - came <= RULES.critical_gap_ms


@given(times, st.integers(0, HOUR_MS))
def test_critical_never_waits_longer_than_the_rest(recent: list[int], ago_ms: int) -> None:
    since_ms = NOON - ago_ms
    calm = next_ms(recent, Waiting(since_ms=since_ms), RULES)
    urgent = next_ms(recent, Waiting(since_ms=since_ms, critical_since_ms=since_ms), RULES)
    assert urgent <= calm


@given(times)
def test_an_hour_has_no_more_than_it_may(recent: list[int]) -> None:
    due = next_ms(recent, Waiting(since_ms=NOON), RULES)
    within = [at for at in recent if at > due - HOUR_MS]
    assert len(within) < RULES.per_hour


@given(times, st.integers(0, HOUR_MS))
def test_more_told_never_means_sooner(recent: list[int], ago_ms: int) -> None:
    waiting = Waiting(since_ms=NOON - ago_ms)
    assert next_ms(recent[:-1], waiting, RULES) <= next_ms(recent, waiting, RULES)
