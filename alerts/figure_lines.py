"""The figures of the alarms as lines for a person: each beside what the standards ask for.

The standards write for one person at one desk. Targets are from memory of ISA-18.2 (2016) and EEMUA 191
(third edition): look them up before they are quoted. Both let a site set its own.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from alerts.figure_counts import Frequent, Spread
from alerts.figures import Figures
from models.transition import Priority

PER_HOUR = 6.0
"""Alarms of one position per hour on average [1/h]: likely to be acceptable."""

PEAK = 10
"""Alarms in any ten minutes at most [-]: one more is a flood."""

FLOOD_SHARE = 0.01
"""Share of the time in flood at most [0..1]."""

STALE = 5
"""Stale alarms of which there are to be fewer [-]."""

MOST_SHARE = 0.05
"""Share of all alarms that the ten most frequent may make up [0..1]."""

PRIORITIES = {
    "low": "about 80%",
    "medium": "about 15%",
    "high": "about 5%",
    "critical": "under 1%",
}
"""Shares of the priorities. With three it is 80, 15 and 5 %; a fourth, above them, is to stay below 1 %: so
our critical is that fourth, and high is the highest of the three."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One figure: what it is, how much it is, what is asked; ``kept`` is ``None`` where nothing is asked."""

    about: str
    figure: str
    target: str = ""
    kept: bool | None = None


def lines(found: Figures) -> tuple[Line, ...]:
    """Write the figures of a span, each beside its target."""
    return (
        *_load(found),
        *_priorities(found),
        *_nuisance(found),
        *_answers(found),
        *_held(found),
        *_notices(found),
    )


def _load(found: Figures) -> Iterator[Line]:
    load = found.load
    each = " each" if found.rules.positions > 1 else ""
    yield Line(about="Alarms", figure=str(load.alarms))
    yield Line(
        about=f"Alarms per hour{each}",
        figure=f"{load.per_hour:.2g}",
        target="up to 6",
        kept=load.per_hour <= PER_HOUR,
    )
    most = PEAK * found.rules.positions
    yield Line(
        about="Most in 10 min",
        figure=str(load.peak),
        target=f"up to {most}",
        kept=load.peak <= most,
    )
    yield Line(
        about="Time in flood",
        figure=f"{percent(load.flood_share)} ({load.floods} begun)",
        target="under 1%",
        kept=load.flood_share < FLOOD_SHARE,
    )


def _priorities(found: Figures) -> Iterator[Line]:
    for priority in Priority:
        name = priority.name.lower()
        count = found.priorities[name]
        share = percent(count / found.load.alarms) if found.load.alarms else "none"
        yield Line(
            about=f"Priority {name}",
            figure=f"{share} ({count})" if count else share,
            target=PRIORITIES[name],
        )


def _nuisance(found: Figures) -> Iterator[Line]:
    nuisance, rules = found.nuisance, found.rules
    within = span(rules.chatters_within_ms)
    yield Line(
        about=f"Chattering ({rules.chatters} within {within})",
        figure=f"{len(nuisance.chattering)}{named(nuisance.chattering[:3])}",
        target="none",
        kept=not nuisance.chattering,
    )
    yield Line(
        about=f"Fleeting (over within {span(rules.fleeting_below_ms)})",
        figure=str(nuisance.fleeting),
        target="none",
        kept=nuisance.fleeting == 0,
    )
    yield Line(
        about=f"Stale (standing over {span(rules.stale_after_ms)})",
        figure=f"{nuisance.stale_now} now, {nuisance.stale_most} at most",
        target="under 5",
        kept=nuisance.stale_most < STALE,
    )
    share = nuisance.most_share
    yield Line(
        about="Ten most frequent, of all",
        figure="none" if share is None else percent(share),
        target="up to 5%",
        kept=None if share is None else share <= MOST_SHARE,
    )


def _answers(found: Figures) -> Iterator[Line]:
    for name in ("all", *(priority.name.lower() for priority in reversed(Priority))):
        spread = found.acknowledged[name]
        if name == "all" or spread.count:
            yield Line(about=f"Acknowledged, {name}", figure=spread_in_words(spread))
    yield Line(about="Not acknowledged yet", figure=str(found.unacknowledged_now))
    share = found.told_share
    yield Line(
        about="Somebody was told of", figure="none came" if share is None else percent(share)
    )


def _held(found: Figures) -> Iterator[Line]:
    for state, begun in found.held.begun.items():
        yield Line(
            about=state.replace("_", " ").capitalize(),
            figure=f"{begun} begun, {found.held.now[state]} now",
        )


def _notices(found: Figures) -> Iterator[Line]:
    notices = found.notices
    yield Line(about="Notices that arrived", figure=str(notices.arrived))
    yield Line(
        about="Notices a person a day",
        figure=f"{notices.per_person_day:.2g} ({notices.people} people; "
        f"{notices.person_day_most} in 24 h at most)",
    )
    yield Line(about="From alarm to arrival", figure=spread_in_words(notices.delay))


def named(found: Sequence[Frequent]) -> str:
    """Name alarms with how often they came, behind a colon; empty for none."""
    listed = ", ".join(f"{each.vehicle} {each.kind} {each.count}×" for each in found)
    return f": {listed}" if listed else ""


def spread_in_words(spread: Spread) -> str:
    """Write how a time is spread."""
    if spread.median_ms is None or spread.p95_ms is None:
        return "none"
    half, most = span(spread.median_ms), span(spread.p95_ms)
    return f"half within {half}, 95% within {most} ({spread.count})"


def percent(share: float) -> str:
    """Write a share; a small one is not written as nothing."""
    if share < 0.001:
        return "under 0.1%" if share > 0.0 else "none"
    return f"{share:.1%}" if share < 0.1 else f"{share:.0%}"


def span(ms: float) -> str:
    """Write a span of time [ms] in the unit that suits it."""
    for size_ms, name in ((86_400_000, "d"), (3_600_000, "h"), (60_000, "min"), (1000, "s")):
        # Up to two of a unit are written in the smaller one: 36 h says more than 1.5 d.
        if ms >= 2 * size_ms or ms == size_ms:
            return f"{ms / size_ms:.3g} {name}"
    return f"{ms / 1000:.2g} s"
