"""The pictures of a what-if: each change as a bar with the band it lies in; inline SVG, pure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from models.units import Units
from models.what_if_figures import Band, Change, Outcome
from review import what_if_words as words
from review.what_if import Answer

WIDTH, HEIGHT = 300, 26
_MIDDLE = HEIGHT / 2
_NOTICED_K, _NOTICED = 1.0, 0.03


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """One line of a picture: what it is, its figure in words, and the drawing."""

    name: str
    best: str
    band: str
    drawing: Markup


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """What is seen first: a sentence for each change, then the two pictures."""

    sentences: Sequence[str]
    hottest: Sequence[Bar]
    life: Sequence[Bar]
    limit: str


def view_of(found: Answer, units: Units) -> View:
    """Put the pictures of an answer together."""
    outcomes = found.found.outcomes
    return View(
        sentences=[sentence(outcomes[0], each, units) for each in outcomes[1:]],
        hottest=_hottest(found, units),
        life=_life(outcomes),
        limit=units.degrees(found.limit_c),
    )


def sentence(before: Outcome, after: Outcome, units: Units) -> str:
    """Say what a change would have meant: the hottest, and the life used."""
    called = words.name(after.change)
    called = called[:1].upper() + called[1:]
    apart_k = before.hottest_c.best - after.hottest_c.best
    spent = 1.0 - after.of_as_was.best
    if abs(apart_k) < _NOTICED_K and abs(spent) < _NOTICED:
        return f"{called}: no difference that the model can tell."
    way = "cooler" if apart_k > 0 else "hotter"
    peak = (
        "as hot at the hottest"
        if abs(apart_k) < _NOTICED_K
        else f"{units.difference(abs(apart_k))} {way} at the hottest"
    )
    more = "less" if spent > 0 else "more"
    life = (
        "as much of the fluid's life"
        if abs(spent) < _NOTICED
        else f"{abs(spent):.0%} {more} of the fluid's life"
    )
    return f"{called}: {peak}, {life} used."


def _hottest(found: Answer, units: Units) -> list[Bar]:
    bands = [each.hottest_c for each in found.found.outcomes]
    low = min([*(band.low for band in bands), found.limit_c])
    high = max([*(band.high for band in bands), found.limit_c])
    room = 0.08 * max(high - low, 10.0)

    def at(celsius: float) -> float:
        return round(4 + (WIDTH - 8) * (celsius - low + room) / (high - low + 2 * room), 1)

    return [
        _bar(each, each.hottest_c, units.degrees, _dot(each, at, found.limit_c))
        for each in found.found.outcomes
    ]


def _dot(outcome: Outcome, at: Callable[[float], float], limit_c: float) -> Markup:
    """Draw a temperature as a point on a scale that does not begin at nothing, beside the limit."""
    band = outcome.hottest_c
    limit = at(limit_c)
    return _drawn(
        f'<path class="wi-way" d="M0 {_MIDDLE}H{WIDTH}"/>',
        f'<path class="wi-limit" d="M{limit} 0V{HEIGHT}"/>',
        _whisker(at(band.low), at(band.high)),
        f'<path class="wi-point {_class(outcome)}" d="M{at(band.best)} 3V23"/>',
    )


def _life(outcomes: Sequence[Outcome]) -> list[Bar]:
    most = max(each.life.high for each in outcomes) or 1.0

    def at(share: float) -> float:
        return round((WIDTH - 4) * share / most, 1)

    return [
        _bar(
            each,
            each.life,
            words.life_share,
            _drawn(
                f'<rect class="{_class(each)}" x="0" y="5" '
                f'width="{max(at(each.life.best), 1.5)}" height="16"/>',
                _whisker(at(each.life.low), at(each.life.high)),
            ),
        )
        for each in outcomes
    ]


def _bar(outcome: Outcome, band: Band, write: Callable[[float], str], drawing: Markup) -> Bar:
    best, _, lies = words.banded(band, write).partition("\n")
    return Bar(name=words.name(outcome.change), best=best, band=lies, drawing=drawing)


def _whisker(low: float, high: float) -> str:
    if high - low < 1.0:
        return ""
    return f'<path class="wi-band" d="M{low} 6V20M{low} {_MIDDLE}H{high}M{high} 6V20"/>'


def _class(outcome: Outcome) -> str:
    return "wi-was" if outcome.change == Change() else "wi-new"


def _drawn(*parts: str) -> Markup:
    return Markup(  # noqa: S704 - numbers of our own
        f'<svg class="wi" viewBox="0 0 {WIDTH} {HEIGHT}" preserveAspectRatio="none" '
        f'aria-hidden="true" focusable="false">{"".join(parts)}</svg>'
    )
