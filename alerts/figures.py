"""How well the alarms serve people: the figures of EEMUA 191 and ISA-18.2 over a span of time. Pure.

What is counted as an alarm is an announcement: an alarm comes to stand unacknowledged, be it the first
time, again, or because it rose after somebody had acknowledged the lesser matter.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from alerts import figure_counts as counts
from alerts.crowding import FloodRule, floods, overlap_ms, peak
from alerts.figure_counts import Frequent, Spread
from alerts.figure_rows import Arrival, Happening, Holding, Rows
from alerts.life_rules import ChatterRules

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS

CHATTER = ChatterRules()

MOST = 10
"""How many of the most frequent alarms are named [-]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """By what is counted; flood and stale from memory of ISA-18.2 and EEMUA 191.

    ``positions``: how many people share the alarms. ``chatters``: so many of one kind of one truck within
    ``chatters_within_ms``, as what comes and goes is held back (``alerts.life_rules``, own choice: three in a
    minute, as for a plant, never come where an alarm waits minutes). ``fleeting_below_ms``: over before
    anybody could act (own choice).
    """

    positions: int = 1
    flood: FloodRule = field(default_factory=FloodRule)
    chatters: int = CHATTER.times
    chatters_within_ms: int = CHATTER.within_ms
    fleeting_below_ms: int = CHATTER.brief_ms
    stale_after_ms: int = DAY_MS


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """How many alarms came, of one position per hour, in any ten minutes at most, and in floods."""

    alarms: int
    per_hour: float
    peak: int
    floods: int
    flood_ms: int
    flood_share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Nuisance:
    """What tires people out; ``stale_most`` is the most stale alarms at one time."""

    chattering: Sequence[Frequent]
    fleeting: int
    stale_now: int
    stale_most: int
    most: Sequence[Frequent]
    most_share: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """How many holds of each state began, and how many stand at the end."""

    begun: Mapping[str, int]
    now: Mapping[str, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Notices:
    """What arrived: in all, and of one person per day, on average and in any 24 h at most."""

    arrived: int
    people: int
    per_person_day: float
    person_day_most: int
    delay: Spread


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """The figures of a span [Unix ms].

    ``acknowledged`` by priority and for "all"; ``told_share`` is the share of the alarms first known in the
    span of which somebody got a notice [0..1], ``None`` where there were none.
    """

    since_ms: int
    until_ms: int
    rules: Rules
    load: Load
    priorities: Mapping[str, int]
    nuisance: Nuisance
    acknowledged: Mapping[str, Spread]
    unacknowledged_now: int
    told_share: float | None
    held: Held
    notices: Notices


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A span of time [Unix ms], its end not in it."""

    since_ms: int
    until_ms: int

    @property
    def days(self) -> float:
        """How long it is [d]."""
        return (self.until_ms - self.since_ms) / DAY_MS

    def has(self, time_ms: int) -> bool:
        """Tell whether a moment lies in it."""
        return self.since_ms <= time_ms < self.until_ms


def figures(rows: Rows, *, since_ms: int, until_ms: int, rules: Rules) -> Figures:
    """Count the figures of a span, its end not in it.

    Raises
    ------
    ValueError
        The span is empty, or nobody is there to be told.
    """
    if until_ms <= since_ms or rules.positions < 1:
        raise ValueError("figures need a span that has a length, and somebody who is told")
    span = Span(since_ms=since_ms, until_ms=until_ms)
    steps = [step for step in rows.happenings if step.time_ms < until_ms]
    steps.sort(key=lambda step: step.time_ms)
    known = [step for step in steps if counts.announces(step)]
    new = [step for step in known if span.has(step.time_ms)]
    told = [each.told for each in rows.seen if span.has(each.first_ms)]
    return Figures(
        since_ms=since_ms,
        until_ms=until_ms,
        rules=rules,
        load=_load(known, new, span, rules),
        priorities=counts.by_priority(new),
        nuisance=_nuisance(steps, known, span, rules),
        acknowledged=counts.acknowledged(steps, since_ms),
        unacknowledged_now=counts.unacknowledged(steps),
        told_share=counts.share(sum(told), len(told)),
        held=_held(rows.holdings, span),
        notices=_notices([a for a in rows.arrivals if span.has(a.arrived_ms)], span),
    )


def _load(
    known: Sequence[Happening], new: Sequence[Happening], span: Span, rules: Rules
) -> Load:
    times_ms = [step.time_ms for step in known]
    found = floods(times_ms, rules.flood, positions=rules.positions)
    flood_ms = overlap_ms(found, since_ms=span.since_ms, until_ms=span.until_ms)
    within_ms = rules.flood.within_ms
    return Load(
        alarms=len(new),
        per_hour=len(new) / (24.0 * span.days) / rules.positions,
        peak=peak(times_ms, within_ms, since_ms=span.since_ms, until_ms=span.until_ms),
        floods=sum(span.has(begin_ms) for begin_ms, _ in found),
        flood_ms=flood_ms,
        flood_share=flood_ms / (span.until_ms - span.since_ms),
    )


def _nuisance(
    steps: Sequence[Happening], known: Sequence[Happening], span: Span, rules: Rules
) -> Nuisance:
    counted = counts.frequent(step for step in known if span.has(step.time_ms))
    stale = counts.stale(steps, rules.stale_after_ms, span.until_ms)
    most = counted[:MOST]
    return Nuisance(
        chattering=counts.chattering(
            known,
            count=rules.chatters,
            within_ms=rules.chatters_within_ms,
            since_ms=span.since_ms,
        ),
        fleeting=counts.fleeting(steps, rules.fleeting_below_ms, span.since_ms),
        stale_now=sum(end_ms >= span.until_ms for _, end_ms in stale),
        stale_most=counts.most_at_once(stale, span.since_ms),
        most=most,
        most_share=counts.share(sum(m.count for m in most), sum(c.count for c in counted)),
    )


def _held(holdings: Sequence[Holding], span: Span) -> Held:
    return Held(
        begun=counts.states(each.state for each in holdings if span.has(each.from_ms)),
        now=counts.states(
            each.state
            for each in holdings
            if each.from_ms < span.until_ms
            and (each.ended_ms is None or each.ended_ms >= span.until_ms)
        ),
    )


def _notices(arrivals: Sequence[Arrival], span: Span) -> Notices:
    by_person: dict[str, list[int]] = defaultdict(list)
    for each in arrivals:
        if each.person:
            by_person[each.person].append(each.arrived_ms)
    to_people = sum(map(len, by_person.values()))
    most = (
        peak(sorted(times), DAY_MS, since_ms=span.since_ms, until_ms=span.until_ms)
        for times in by_person.values()
    )
    return Notices(
        arrived=len(arrivals),
        people=len(by_person),
        per_person_day=to_people / span.days / len(by_person) if by_person else 0.0,
        person_day_most=max(most, default=0),
        delay=counts.spread([each.arrived_ms - each.wanted_ms for each in arrivals]),
    )
