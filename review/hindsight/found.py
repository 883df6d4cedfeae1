"""What a look back finds: facts, for words and pictures."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from review.hindsight.asked import Asked
from review.hindsight.hints import Told, Verdict
from review.hindsight.matching import Matter

WEEK_MS = 7 * 86_400_000


class Side(StrEnum):
    """Who finds a matter."""

    BOTH = "both"
    ONLY_OTHER = "only_other"
    ONLY_AS_IS = "only_as_is"
    ONLY_RAISED = "only_raised"


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """One matter of one truck: who finds it, what tells whether it was real, and what that comes to.

    ``hottest_c``: the hottest reading of the fluid while it lasted [°C], None where there was none.
    """

    truck: str
    matter: Matter
    side: Side
    told: tuple[Told, ...]
    verdict: Verdict
    hottest_c: float | None

    @property
    def as_raised(self) -> bool:
        """Say whether the run with what holds now finds what was raised then, to the millisecond."""
        ran = [(each.onset_ms, each.raised_ms, each.cleared_ms) for each in self.matter.as_is]
        then = [(each.onset_ms, each.raised_ms, each.cleared_ms) for each in self.matter.raised]
        return ran == then


@dataclass(frozen=True, slots=True, kw_only=True)
class Count:
    """Alarms of one truck in the span: as it is, as it would be, and raised then and not withdrawn."""

    truck: str
    as_is: int
    other: int
    raised: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """What came of a look back.

    ``left_out``: trucks that could not be run again, and why. ``samples`` were run through, twice.
    """

    asked: Asked
    found: tuple[Found, ...]
    counts: tuple[Count, ...]
    left_out: tuple[tuple[str, str], ...]
    samples: int

    def of(self, *sides: Side) -> tuple[Found, ...]:
        """Give the matters that these find."""
        return tuple(each for each in self.found if each.side in sides)

    @property
    def weeks(self) -> float:
        """How long the span is [weeks]."""
        return (self.asked.until_ms - self.asked.since_ms) / WEEK_MS

    def per_week(self, count: int) -> float:
        """Give alarms per truck and week [1/week]."""
        return count / max(1, len(self.counts)) / self.weeks

    @property
    def as_is(self) -> int:
        """Alarms as it is."""
        return sum(each.as_is for each in self.counts)

    @property
    def other(self) -> int:
        """Alarms as it would be."""
        return sum(each.other for each in self.counts)
