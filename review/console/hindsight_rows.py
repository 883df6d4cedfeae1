"""What a look back found, as rows of tables: what matters first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from review.console.visit import Visit
from review.hindsight import words
from review.hindsight.found import Compared, Found, Side
from review.hindsight.hints import Verdict

MOST = 200
"""Rows of one sort that a page shows; own choice: the command gives all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One matter as it stands in a table; ``alarm`` is the id of one that was raised then."""

    truck: str
    who: str
    kind: str
    hottest: str
    since_ms: int
    as_is: str
    other: str
    difference: str
    verdict: Verdict
    verdict_words: str
    hints: tuple[str, ...]
    alarm: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """Rows of one sort, under a heading that says how many; ``more`` of them are not shown."""

    name: str
    heading: str
    more: int
    rows: tuple[Row, ...]


def parts_of(found: Compared, visit: Visit) -> Sequence[Part]:
    """Sort what was found: besides, missed, sooner or later, the same, found by neither run."""
    both = found.of(Side.BOTH)
    moved = tuple(each for each in both if each.matter.earlier_ms)
    same = tuple(each for each in both if not each.matter.earlier_ms)
    sorted_out = (
        ("more", "Would have come besides", found.of(Side.ONLY_OTHER)),
        ("missed", "Would not have come", found.of(Side.ONLY_AS_IS)),
        ("moved", "Would have come at another time", moved),
        ("same", "At the same time", same),
        ("neither", "Raised then, found by neither run", found.of(Side.ONLY_RAISED)),
    )
    return tuple(
        Part(
            name=name,
            heading=f"{heading}: {len(rows)}",
            more=max(0, len(rows) - MOST),
            rows=tuple(_row(each, visit) for each in rows[:MOST]),
        )
        for name, heading, rows in sorted_out
        if rows
    )


def _row(each: Found, visit: Visit) -> Row:
    units = visit.visitor.units
    return Row(
        truck=each.truck,
        who=visit.teller.who(each.truck),
        kind=words.kind_words(each.matter.kind),
        hottest=words.hottest(each, units),
        since_ms=each.matter.first_ms,
        as_is=_episodes(each, "as_is", visit),
        other=_episodes(each, "other", visit),
        difference=words.difference(each),
        verdict=each.verdict,
        verdict_words=words.VERDICTS[each.verdict],
        hints=tuple(words.hint(told, units) for told in each.told),
        alarm=each.matter.raised[0].id if each.matter.raised else None,
    )


def _episodes(each: Found, side: str, visit: Visit) -> str:
    episodes = getattr(each.matter, side)
    said = [f"{visit.say.moment(one.raised_ms)}: {words.episode(one)}" for one in episodes[:3]]
    more = len(episodes) - len(said)
    return "; ".join([*said, f"and {more} more"] if more > 0 else said)
