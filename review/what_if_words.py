"""A what-if in words: the name of a change, its figures, what they rest on, and the cautions."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from models.hypotheses import AIR, FLOW, LOW, NAMES, OPEN, SENSOR, SHUT, SLIP
from models.units import Units
from models.what_if_figures import Band, Change, Outcome
from review.measures import minute
from review.what_if import Answer

_NOT_NOTICED = 0.03
_COLD_NOTICED_H = 0.25

_HELD = {
    NAMES[SHUT]: "nothing reached the cooler (a valve stuck shut)",
    NAMES[LOW]: "too little heat was carried off",
    NAMES[OPEN]: "all went to the cooler, cold or hot (a valve stuck open)",
    NAMES[AIR]: "the cooler was short of air",
    NAMES[FLOW]: "the cooler was short of fluid",
    NAMES[SLIP]: "the locked clutch slipped",
    NAMES[SENSOR]: "the fluid's sensor was off, so that all figures of that time are",
}

FULL_FLOW_COLD = (
    "A full-flow block cools in winter too: the fluid warms up late or never, and thick fluid costs fuel "
    "and shifts badly. Some makers ask for the valve: ask first."
)
BEFORE_WORK = (
    "Other coolers and blocks may need the maker's approval and cost the warranty. They must be made for "
    "this circuit's pressure and flow: a restriction starves the gearbox of lubrication."
)


def name(change: Change) -> str:
    """Name a change as a fleet manager would."""
    parts = []
    if change.cooler != 1.0:
        parts.append(f"cooler × {change.cooler:g}")
    if change.full_flow:
        parts.append("full-flow block")
    if change.cleaned:
        parts.append("cleaned cooler")
    if change.load != 1.0:
        way = "less" if change.load < 1.0 else "more"
        parts.append(f"{abs(1.0 - change.load):.0%} {way} load")
    return ", ".join(parts) or "as it was"


def row(outcome: Outcome, units: Units) -> tuple[str, ...]:
    """Write a line of the table: change, hottest, above the limit, life used, against as it was."""
    as_was = outcome.change == Change()
    return (
        name(outcome.change),
        banded(outcome.hottest_c, units.degrees),
        banded(outcome.over_limit_h, hours),
        banded(outcome.life, life_share),
        "" if as_was else _of_as_was(outcome.of_as_was),
    )


def hours(value: float) -> str:
    """Write hours: minutes where they are few."""
    if value < 1.0:
        return f"{60.0 * value:.0f} min"
    return f"{value:,.1f} h"


def life_share(value: float) -> str:
    """Write a share of a fluid's life."""
    return f"{value:.2%}" if value < 0.1 else f"{value:.1%}"


def banded(band: Band, write: Callable[[float], str]) -> str:
    """Write a best estimate, and below it its band if that is wider; a unit of both ends stands once."""
    best, low, high = write(band.best), write(band.low), write(band.high)
    if low == high:
        return best
    number, _, unit = low.partition(" ")
    low = number if unit == high.partition(" ")[2] else low
    return f"{best}\n{low.removesuffix('%')} to {high}"


def _of_as_was(band: Band) -> str:
    if band.low >= 1.0 - _NOT_NOTICED and band.high <= 1.0 + _NOT_NOTICED:
        return "no difference"
    way = "less" if band.best <= 1.0 else "more"
    best = f"{abs(1.0 - band.best):.0%} {way}"
    if band.low < 1.0 < band.high:
        return f"{best}\nor none"
    least, most = sorted(100.0 * abs(1.0 - end) for end in (band.low, band.high))
    return f"{best}\n{least:.0f} to {most:.0f}%"


def remarks(answer: Answer, units: Units, *, where: str = "") -> Iterator[str]:
    """Say what the figures rest on, and what is left open; ``where`` more is told of a fault."""
    found = answer.found
    span = f"{minute(answer.since_ms, units.zone)} to {minute(answer.until_ms, units.zone)}"
    unseen = f", {hours(found.unseen_h)} unseen and not counted" if found.unseen_h > 0.0 else ""
    yield (
        f"{answer.vehicle}, {span}: {hours(found.seen_h)} with readings of the fluid, of which the "
        f"model followed {hours(found.followed_h)}; parked {hours(found.parked_h)} (ageing while it "
        f"cooled is an estimate){unseen}."
    )
    yield (
        "This truck's own model went through that duty twice, as it is and as it would be; the "
        "difference is added to what was measured. Weather, speeds, gears, converter lockup and driver "
        "are taken as they were. In 8 of 10 cases the truth lies within the second line of a cell; less "
        f"than {units.difference(1.0)} or 3% is more than the model can tell."
    )
    if not answer.registered:
        yield f"{answer.vehicle} is not in the fleet file: its circuit, class and fluid are assumed."
    yield _learned(answer.learned)
    yield from _of_changes(answer, units)
    yield from broken(answer)
    if answer.failed_h:
        told = where or f"heatbook fleet show {answer.vehicle}"
        yield f"How sure that is, and what else it may be, {told} says."


def broken(answer: Answer) -> Iterator[str]:
    """Say what was taken to be broken meanwhile, and for how long."""
    for kind, duration_h in answer.failed_h.items():
        yield f"For {hours(duration_h)} of it {_HELD[kind]}, by the heat balance."


def _learned(learned: float) -> str:
    if learned < 0.05:
        return (
            "Of this truck itself nothing is learned yet: the model is that of its class, and a rough "
            "guide only."
        )
    return f"The truck's own values are known to {learned:.0%}; the rest is its class's."


def _of_changes(answer: Answer, units: Units) -> Iterator[str]:
    changes = [outcome.change for outcome in answer.found.outcomes]
    if any(change.cooler != 1.0 for change in changes):
        yield (
            "A cooler × 1.3 has 1.3 times the core that is fitted, with the same flows: it carries less "
            "than 1.3 times the heat."
        )
    if any(change.load != 1.0 for change in changes):
        if answer.load_told:
            yield "Less load is less engine torque at the same speeds; what the engine turns alone stays."
        else:
            yield (
                "No signal tells this truck's load: what less of it does is a guess (publish "
                "engine_torque_nm or engine_load_pct)."
            )
    yield from _cold(answer, units)
    cleaned = [outcome for outcome in answer.found.outcomes if outcome.change.cleaned]
    if cleaned and all(outcome.of_as_was.low == 1.0 for outcome in cleaned):
        yield "A cleaned cooler: this one carries what it always has; there is nothing to gain."


def _cold(answer: Answer, units: Units) -> Iterator[str]:
    """Say which change would have kept the fluid cold."""
    as_was, *changed = answer.found.outcomes
    before_h = as_was.cold_h.best
    for outcome in changed:
        if outcome.cold_h.best > before_h + _COLD_NOTICED_H + 0.1 * before_h:
            told = banded(outcome.cold_h, hours).replace("\n", " (", 1)
            told += ")" if "(" in told else ""
            yield (
                f"{name(outcome.change).capitalize()}: the fluid would have run below "
                f"{units.degrees(answer.cold_c)} for {told}; it did so for {hours(before_h)}."
            )


def cautions(answer: Answer) -> Iterator[str]:
    """Say what to mind before anything is changed."""
    if any(outcome.change.full_flow for outcome in answer.found.outcomes):
        yield FULL_FLOW_COLD
    yield BEFORE_WORK
