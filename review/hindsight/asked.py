"""What is looked back at."""

from __future__ import annotations

from dataclasses import dataclass

from review.hindsight.other import Other
from review.problems import Mistake

LEAST_MS, LONGEST_MS = 60_000, 20 * 366 * 86_400_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """A span [Unix ms], its end not in it; one truck, or (None) all; what would be different."""

    since_ms: int
    until_ms: int
    other: Other
    truck: str | None = None

    def holds(self, time_ms: int) -> bool:
        """Say whether a moment lies in the span."""
        return self.since_ms <= time_ms < self.until_ms


def check_span(asked: Asked) -> None:
    """Refuse a span that is none.

    Raises
    ------
    Mistake
        It is empty, or too long.
    """
    if not LEAST_MS <= asked.until_ms - asked.since_ms <= LONGEST_MS:
        raise Mistake(
            "a span of the past lasts a minute at least and 20 years at most, and begins before it ends; "
            "choose other dates"
        )
