from __future__ import annotations

from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.backoff import DELAYS_S, GIVE_UP_AFTER_MS, JITTER, next_try_ms
from tests.alerts.store import NOON

#: Wait after each failed try [s]: ours; close to Standard Webhooks 1.0.0 (from memory).
SCHEDULE = [5, 60, 300, 1800, 7200, 18000, 18000]


@pytest.mark.parametrize(("attempts", "wait_s"), list(enumerate(SCHEDULE, start=1)))
def test_waits_grow_by_the_schedule(attempts: int, wait_s: float) -> None:
    due = next_try_ms(attempts=attempts, created_ms=NOON, now_ms=NOON, rng=Random(1))
    assert due is not None
    assert abs((due - NOON) / 1000 - wait_s) <= JITTER * wait_s + 0.001


def test_notices_that_failed_together_do_not_come_back_together() -> None:
    rng = Random(7)
    found = {next_try_ms(attempts=4, created_ms=0, now_ms=0, rng=rng) for _ in range(50)}
    assert len(found) == 50


def test_a_wait_the_far_side_asks_for_is_kept() -> None:
    due = next_try_ms(attempts=1, created_ms=0, now_ms=0, rng=Random(1), retry_after_s=600)
    assert due == 600_000


@pytest.mark.parametrize("asked", [-5.0, 0.0, None])
def test_a_past_or_missing_wish_changes_nothing(asked: float | None) -> None:
    due = next_try_ms(attempts=1, created_ms=0, now_ms=0, rng=Random(1), retry_after_s=asked)
    assert due == next_try_ms(attempts=1, created_ms=0, now_ms=0, rng=Random(1))


@given(
    seed=st.integers(),
    asked=st.none() | st.floats(allow_nan=False),
)
def test_it_ends_after_three_days_whatever_is_asked(seed: int, asked: float | None) -> None:
    rng = Random(seed)
    now_ms, tries = 0, 0
    while True:
        tries += 1
        due = next_try_ms(
            attempts=tries, created_ms=0, now_ms=now_ms, rng=rng, retry_after_s=asked
        )
        if due is None:
            break
        assert due > now_ms
        now_ms = due
    assert now_ms >= GIVE_UP_AFTER_MS
    assert now_ms <= GIVE_UP_AFTER_MS + 24 * 3600 * 1000
    assert tries <= len(DELAYS_S) + 3 * 24 * 3600 / (DELAYS_S[-1] * (1 - JITTER)) + 1
