"""The score of judges over trucks whose truth is known: shares, delays, confusion, false alarms."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field

import numpy as np
from scipy.stats import chi2

from tests.bench.diagnosis.outcome import Alarm, Outcome

DAYS_A_YEAR = 365.0
"""Driven days that make a truck-year [-]: a truck that rests has fewer false alarms."""

HOT_MOST_S = 300.0
"""Time above 130 °C that fluid may spend before a stuck valve is told [s]."""

NONE = "none"
"""Column of the confusion matrix: no alarm at all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """So many of so many, with the 95 % interval by Wilson."""

    hits: int
    of: int

    @property
    def share(self) -> float:
        return self.hits / self.of if self.of else math.nan

    @property
    def interval(self) -> tuple[float, float]:
        if not self.of:
            return math.nan, math.nan
        z = 1.959964
        middle = (self.share + z * z / (2 * self.of)) / (1 + z * z / self.of)
        inner = self.share * (1 - self.share) / self.of + z * z / (4 * self.of**2)
        half = z * math.sqrt(inner) / (1 + z * z / self.of)
        return max(0.0, middle - half), min(1.0, middle + half)


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """How one fault that showed was found: by which alarm first, and how late.

    ``delay_s`` counts running time from where the fault shows, negative if the alarm was earlier;
    ``delay_plain_s`` from where it is plain, not a number if it never was.
    """

    outcome: Outcome
    alarm: Alarm | None
    delay_s: float = math.nan
    delay_plain_s: float = math.nan
    drives: int = 0
    loaded_drives: int = 0
    hot_s: int = 0


def find(outcome: Outcome, judge: str, ignored: AbstractSet[str]) -> Found:
    """Take the first alarm since the fault began; ``ignored`` kinds accuse nothing."""
    since_s, shows_s = outcome.since_s, outcome.shows_s
    if since_s is None or shows_s is None:
        raise ValueError("a fault that never showed cannot be found")
    alarm = next(
        (
            one
            for one in outcome.alarms[judge]
            if one.second >= since_s and one.kind not in ignored
        ),
        None,
    )
    if alarm is None:
        return Found(outcome=outcome, alarm=None)
    return Found(
        outcome=outcome,
        alarm=alarm,
        delay_s=_delay_s(outcome, shows_s, alarm.second),
        delay_plain_s=(
            math.nan
            if outcome.plain_s is None
            else _delay_s(outcome, outcome.plain_s, alarm.second)
        ),
        drives=outcome.nth_drive(shows_s, alarm.second, loaded=False),
        loaded_drives=outcome.nth_drive(shows_s, alarm.second, loaded=True),
        hot_s=outcome.hot_between_s(since_s, alarm.second),
    )


def _delay_s(outcome: Outcome, from_s: float, to_s: float) -> float:
    return outcome.running_s(from_s, to_s) - outcome.running_s(to_s, from_s)


def within(all_found: Sequence[Found], drives: int, *, loaded: bool) -> Share:
    """Count faults found within so many drives, of those that had that many to be found in."""
    hits = chances = 0
    for one in all_found:
        took = one.loaded_drives if loaded else one.drives
        hit = one.alarm is not None and took <= drives
        shows_s = one.outcome.shows_s or 0.0
        hits += hit
        chances += hit or one.outcome.nth_drive(shows_s, math.inf, loaded=loaded) >= drives
    return Share(hits=hits, of=chances)


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One kind of fault: how many showed, and how they were found."""

    label: str
    unseen: int
    detected: Share
    gradual: Share
    plain: Share
    named: Share
    less_exact: Share
    wrong: Share
    delay_median_s: float
    delay_p95_s: float
    delay_plain_s: float
    within_3_drives: Share
    within_2_loaded: Share
    before_hot: Share


def row(
    label: str,
    outcomes: Sequence[Outcome],
    judge: str,
    *,
    ignored: AbstractSet[str],
    named: AbstractSet[str],
    less_exact: AbstractSet[str],
) -> Row:
    """Score one judge on one kind of fault.

    Detected is what any accusing alarm followed; named, less exact and wrong are shares of that.
    """
    shown = [one for one in outcomes if one.label == label and one.shows_s is not None]
    all_found = [find(one, judge, ignored) for one in shown]
    found = [one for one in all_found if one.alarm is not None]
    kinds = [one.alarm.kind for one in found if one.alarm is not None]
    delays = [one.delay_s for one in found]
    gradual = [one for one in all_found if one.outcome.gradual]
    plain = [one for one in all_found if one.outcome.plain_s is not None]
    after_plain = [one.delay_plain_s for one in plain if one.alarm is not None]
    return Row(
        label=label,
        unseen=sum(one.label == label for one in outcomes) - len(shown),
        detected=Share(hits=len(found), of=len(shown)),
        gradual=_share_found(gradual),
        plain=_share_found(plain),
        named=Share(hits=sum(kind in named for kind in kinds), of=len(found)),
        less_exact=Share(hits=sum(kind in less_exact for kind in kinds), of=len(found)),
        wrong=Share(hits=sum(kind not in named | less_exact for kind in kinds), of=len(found)),
        delay_median_s=_quantile(delays, 0.5),
        delay_p95_s=_quantile(delays, 0.95),
        delay_plain_s=_quantile(after_plain, 0.5),
        within_3_drives=within(all_found, 3, loaded=False),
        within_2_loaded=within(all_found, 2, loaded=True),
        before_hot=Share(hits=sum(one.hot_s < HOT_MOST_S for one in found), of=len(shown)),
    )


def _share_found(some: Sequence[Found]) -> Share:
    return Share(hits=sum(one.alarm is not None for one in some), of=len(some))


def _quantile(values: Sequence[float], share: float) -> float:
    return float(np.quantile(values, share)) if values else math.nan


def confusion(
    outcomes: Sequence[Outcome], judge: str, ignored: AbstractSet[str]
) -> dict[str, Counter[str]]:
    """Count, by label, which alarm came first; ``ignored`` kinds count where no other came.

    Of a fault only what showed counts, and alarms since it began.
    """
    table: dict[str, Counter[str]] = {}
    for outcome in outcomes:
        if outcome.label and outcome.shows_s is None:
            continue
        since_s = -math.inf if outcome.since_s is None else outcome.since_s
        later = [one.kind for one in outcome.alarms[judge] if one.second >= since_s]
        accusing = [kind for kind in later if kind not in ignored]
        first = (accusing or [f"{kind} only" for kind in later] or [NONE])[0]
        table.setdefault(outcome.label, Counter())[first] += 1
    return table


def impossible(outcomes: Sequence[Outcome], judge: str) -> Counter[str]:
    """Count, by kind, the alarms that accuse a part which the truck does not have."""
    return Counter(
        alarm.kind
        for outcome in outcomes
        for alarm in outcome.alarms[judge]
        if alarm.kind in outcome.cannot
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class FalseAlarms:
    """Alarms of a fault where there was none: by kind, with the time in which they could come."""

    count: int
    days: float
    running_h: float
    by_kind: Counter[str] = field(default_factory=Counter)

    @property
    def per_year(self) -> float:
        return self.count / self.days * DAYS_A_YEAR if self.days else math.nan

    @property
    def per_hour(self) -> float:
        return self.count / self.running_h if self.running_h else math.nan

    @property
    def per_year_most(self) -> float:
        """Bound that the true rate stays under with 95 % (exact for a Poisson count)."""
        if not self.days:
            return math.nan
        return float(chi2.ppf(0.95, 2 * self.count + 2)) / 2.0 / self.days * DAYS_A_YEAR


def false_alarms(
    outcomes: Sequence[Outcome],
    judge: str,
    *,
    ignored: AbstractSet[str] = frozenset(),
    since_s: float = 0.0,
    until_s: float = math.inf,
) -> FalseAlarms:
    """Count alarms of healthy trucks, and of others before their fault began, between two times [s]."""
    kinds: Counter[str] = Counter()
    days = running_s = 0.0
    for outcome in outcomes:
        end_s = 86_400.0 * outcome.days if outcome.since_s is None else outcome.since_s
        end_s = min(end_s, until_s)
        days += max(0.0, end_s - since_s) / 86_400.0
        running_s += outcome.running_s(since_s, end_s)
        kinds.update(
            one.kind
            for one in outcome.alarms[judge]
            if since_s <= one.second < end_s and one.kind not in ignored
        )
    return FalseAlarms(
        count=kinds.total(), days=days, running_h=running_s / 3600.0, by_kind=kinds
    )
