"""A channel whose far side is away is left alone for a while, then tried with one notice.

Pure. One breaker for all that waits for a channel: five hundred sendings do not each knock at a
dead server. *Closed*: notices go out. *Open*: nothing is tried. *Trying*: the rest is over, and
what the next try brings decides.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from random import Random

from alerts.backoff import JITTER, LONGEST_ASKED_S

RESTS_S = (5.0, 15.0, 60.0, 300.0, 900.0)
"""Rest after the first, second, … failure in a row [s]; the last one repeats. The longest is what a
channel that came back may have to wait; a try in 15 min is no burden to a dead server."""


class Phase(StrEnum):
    """What may be done with a channel."""

    CLOSED = "closed"
    OPEN = "open"
    TRYING = "trying"


@dataclass(frozen=True, slots=True, kw_only=True)
class Breaker:
    """How a channel fares: failures in a row, since when, and when it may be tried again [Unix ms]."""

    failures: int = 0
    since_ms: int = 0
    failed_ms: int = 0
    retry_ms: int = 0

    def phase(self, now_ms: int) -> Phase:
        """Tell what may be done now; a clock that was set back does not lengthen a rest."""
        if not self.failures:
            return Phase.CLOSED
        resting = self.failed_ms <= now_ms < self.retry_ms
        return Phase.OPEN if resting else Phase.TRYING


CLOSED = Breaker()


def failed(
    breaker: Breaker, now_ms: int, *, rng: Random, retry_after_s: float | None = None
) -> Breaker:
    """Give the breaker after a failure; a wait the far side asked for [s] is kept."""
    failures = breaker.failures + 1
    planned_s = RESTS_S[min(failures, len(RESTS_S)) - 1]
    rest_s = planned_s * rng.uniform(1 - JITTER, 1 + JITTER)
    asked_s = min(max(retry_after_s or 0.0, 0.0), LONGEST_ASKED_S)
    return Breaker(
        failures=failures,
        since_ms=breaker.since_ms if breaker.failures else now_ms,
        failed_ms=now_ms,
        retry_ms=now_ms + round(1000 * max(rest_s, asked_s)),
    )
