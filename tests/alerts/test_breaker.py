"""A channel that is away: rests that grow to a bound, one try after each, closed by any answer."""

from __future__ import annotations

from random import Random

from hypothesis import given
from hypothesis import strategies as st

from alerts.backoff import JITTER
from alerts.breaker import CLOSED, RESTS_S, Breaker, Phase, failed
from tests.alerts.store import NOON

DAY_MS = 86_400_000


def test_a_channel_is_closed_until_it_fails_and_then_open() -> None:
    assert CLOSED.phase(NOON) is Phase.CLOSED
    once = failed(CLOSED, NOON, rng=Random(1))
    assert once.phase(NOON) is Phase.OPEN
    assert once.phase(once.retry_ms - 1) is Phase.OPEN
    assert once.phase(once.retry_ms) is Phase.TRYING


def test_rests_grow_to_a_quarter_of_an_hour() -> None:
    breaker, now_ms = CLOSED, NOON
    for rest_s in (*RESTS_S, RESTS_S[-1]):
        breaker = failed(breaker, now_ms, rng=Random(1))
        assert abs((breaker.retry_ms - now_ms) / 1000 - rest_s) <= JITTER * rest_s + 0.001
        now_ms = breaker.retry_ms
    assert breaker.since_ms == NOON


def test_a_wait_the_far_side_asks_for_is_kept_up_to_a_day() -> None:
    assert failed(CLOSED, NOON, rng=Random(1), retry_after_s=600).retry_ms == NOON + 600_000
    longest = failed(CLOSED, NOON, rng=Random(1), retry_after_s=1e9).retry_ms
    assert longest == NOON + DAY_MS


def test_channels_that_failed_together_do_not_come_back_together() -> None:
    rng = Random(7)
    assert len({failed(CLOSED, NOON, rng=rng).retry_ms for _ in range(50)}) == 50


@given(st.integers(0, 3 * DAY_MS))
def test_a_clock_that_is_put_back_does_not_lengthen_a_rest(back_ms: int) -> None:
    once = failed(CLOSED, NOON, rng=Random(1))
    assert once.phase(NOON - 1 - back_ms) is Phase.TRYING


@given(st.randoms(use_true_random=False))
def test_a_day_s_outage_costs_few_tries_and_ends_within_eighteen_minutes(
    rng: Random,
) -> None:
    breaker, now_ms, tries = Breaker(), NOON, 0
    while now_ms < NOON + DAY_MS:
        breaker, tries = failed(breaker, now_ms, rng=rng), tries + 1
        assert breaker.retry_ms - now_ms <= 1000 * RESTS_S[-1] * (1 + JITTER)
        now_ms = breaker.retry_ms
    assert tries <= len(RESTS_S) + 86_400 / (RESTS_S[-1] * (1 - JITTER))
