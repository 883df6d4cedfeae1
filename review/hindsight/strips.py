"""The picture: for each truck and kind a strip of time, what comes above what would have come. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from alerts.episode import Episode
from review.hindsight.found import Compared
from review.hindsight.words import kind_words

WIDE = 1000.0
"""Width of a strip, in its own units."""

LEAST = 4.0
"""Width of the shortest bar: it must be seen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """One episode on a strip; ``priority`` names its look."""

    x: float
    width: float
    priority: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """One kind of alarm of one truck."""

    truck: str
    kind: str
    as_is: tuple[Bar, ...]
    other: tuple[Bar, ...]


def strips(found: Compared) -> tuple[Strip, ...]:
    """Draw the trucks that have anything to show, by name, a strip for each kind of alarm."""
    places = sorted({(each.truck, each.matter.kind) for each in found.found})
    return tuple(
        Strip(
            truck=truck,
            kind=kind_words(kind),
            as_is=tuple(_bars(found, truck, kind, "as_is")),
            other=tuple(_bars(found, truck, kind, "other")),
        )
        for truck, kind in places
    )


def _bars(found: Compared, truck: str, kind: str, side: str) -> Iterator[Bar]:
    for each in found.found:
        if (each.truck, each.matter.kind) == (truck, kind):
            episodes: Sequence[Episode] = getattr(each.matter, side)
            yield from (_bar(found, one) for one in episodes)


def _bar(found: Compared, episode: Episode) -> Bar:
    asked = found.asked
    wide_ms = asked.until_ms - asked.since_ms
    end_ms = asked.until_ms if episode.cleared_ms is None else episode.cleared_ms
    start = WIDE * (episode.raised_ms - asked.since_ms) / wide_ms
    width = max(LEAST, WIDE * (min(end_ms, asked.until_ms) - episode.raised_ms) / wide_ms)
    return Bar(
        x=round(min(start, WIDE - LEAST), 1),
        width=round(width, 1),
        priority=episode.priority.name.lower(),
    )
