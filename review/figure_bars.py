"""The figures of the alarms drawn: each as a bar beside the mark of what is asked for. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from alerts.figure_lines import (
    FLOOD_SHARE,
    MOST_SHARE,
    PEAK,
    PER_HOUR,
    PRIORITIES,
    STALE,
    percent,
)
from alerts.figures import Figures
from models.transition import Priority

ASKED_SHARES = {
    Priority.LOW: 0.80,
    Priority.MEDIUM: 0.15,
    Priority.HIGH: 0.05,
    Priority.CRITICAL: 0.01,
}
"""As ``alerts.figure_lines.PRIORITIES`` has them in words."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """One figure: how full its bar is and where the mark stands [0..1]; ``kept`` None: nothing is asked.

    ``beyond``: it is more than the bar can show.
    """

    about: str
    figure: str
    asked: str
    fill: float
    mark: float
    kept: bool | None
    beyond: bool = False


def load_bars(found: Figures) -> tuple[Bar, ...]:
    """Draw what can tire people out, beside what is asked for."""
    return tuple(_load(found))


def _load(found: Figures) -> Iterator[Bar]:
    load, nuisance, each = found.load, found.nuisance, found.rules.positions
    yield _against(
        "Alarms per hour", f"{load.per_hour:.2g}", "up to 6", load.per_hour, PER_HOUR
    )
    yield _against(
        "Most in ten minutes", str(load.peak), f"up to {PEAK * each}", load.peak, PEAK * each
    )
    yield _against(
        "Time in flood",
        percent(load.flood_share),
        "under 1%",
        load.flood_share,
        FLOOD_SHARE,
        below=True,
    )
    yield _against(
        "Most alarms standing over a day",
        str(nuisance.stale_most),
        "under 5",
        nuisance.stale_most,
        STALE,
        below=True,
    )
    if nuisance.most_share is not None:
        share = nuisance.most_share
        yield _against(
            "Ten most frequent, of all", percent(share), "up to 5%", share, MOST_SHARE
        )


def priority_bars(found: Figures) -> tuple[Bar, ...]:
    """Draw how the alarms spread over the priorities, the most urgent first."""
    alarms = found.load.alarms
    return tuple(
        _priority(each, found.priorities[each.name.lower()], alarms)
        for each in reversed(Priority)
    )


def _priority(priority: Priority, count: int, alarms: int) -> Bar:
    share = count / alarms if alarms else 0.0
    asked = ASKED_SHARES[priority]
    return Bar(
        about=priority.name.lower(),
        figure=f"{percent(share)} ({count})" if count else "none",
        asked=PRIORITIES[priority.name.lower()],
        fill=share,
        mark=asked,
        kept=None,
    )


def _against(
    about: str, figure: str, asked: str, value: float, most: float, *, below: bool = False
) -> Bar:
    """Put the mark in the middle: what is asked for is as wide as all that is too much."""
    fill = value / most / 2.0
    return Bar(
        about=about,
        figure=figure,
        asked=asked,
        fill=min(1.0, fill),
        mark=0.5,
        kept=value < most if below else value <= most,
        beyond=fill > 1.0,
    )
