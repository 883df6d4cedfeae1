"""When to try again: soon at first, rarer later, never all at once, not for ever."""

from __future__ import annotations

from random import Random

DELAYS_S = (5.0, 60.0, 300.0, 1800.0, 7200.0, 18000.0)
"""Wait after the first, second, … failed try [s]; the last one repeats. Close to the schedule
of Standard Webhooks 1.0.0: a short outage costs little time and a long one few tries."""

JITTER = 0.2
"""Each wait is drawn from ±20 %: notices that failed together do not come back together."""

GIVE_UP_AFTER_MS = 3 * 24 * 3600 * 1000
"""From the notice's first try [ms]: a weekend with a dead mail server is survived, and what could not
be tried has lost nothing."""

LEAST_TRIES = 3
"""Before these nothing is given up, however long it seems to have taken: a clock that was set right by
years is no outage."""

LONGEST_ASKED_S = 24 * 3600.0
"""A far side may ask for no more than this [s]."""


def next_try_ms(
    *,
    attempts: int,
    created_ms: int,
    now_ms: int,
    rng: Random,
    retry_after_s: float | None = None,
    longest_s: float = DELAYS_S[-1],
) -> int | None:
    """Give the time [ms] of the next try after ``attempts`` failures; ``None`` to give up.

    The last try falls on the end of the allowed time, counted from ``created_ms``. A wait the far side
    asks for is kept; no other is longer than ``longest_s``.
    """
    over = now_ms >= created_ms + GIVE_UP_AFTER_MS
    if over and attempts >= LEAST_TRIES:
        return None
    end_ms = now_ms + GIVE_UP_AFTER_MS if over else created_ms + GIVE_UP_AFTER_MS
    planned_s = min(DELAYS_S[min(max(attempts, 1), len(DELAYS_S)) - 1], longest_s)
    wait_s = planned_s * rng.uniform(1 - JITTER, 1 + JITTER)
    asked_s = min(max(retry_after_s or 0.0, 0.0), LONGEST_ASKED_S)
    due_ms = now_ms + round(1000 * max(wait_s, asked_s))
    return max(min(due_ms, end_ms), now_ms + round(1000 * asked_s))
