"""A look back in plain words: what would be different, what came of it, and what it cannot know."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from alerts.episode import Episode
from alerts.holds import duration
from alerts.phrases import number_of
from models.units import Units
from review.entry_words import KIND_WORDS
from review.hindsight.found import Compared, Found, Side
from review.hindsight.hints import Hint, Told, Verdict
from review.hindsight.other import Other

CANNOT_KNOW = (
    "People would have acted otherwise: an alarm that comes sooner may prevent what came after it.",
    "Both runs begin with what each truck had learned by then; what stood at the beginning is not counted.",
    "What the clock alone raises is in neither: a silence that lasts, a service date of a parked truck.",
    "The record counts as it stands today, and late samples are in their places: then, less was known.",
    "Which alarms were right nobody wrote down. Real and noise are hints, each with its reason.",
)
"""What a look back cannot know."""

SIDES: Mapping[Side, str] = {
    Side.BOTH: "with both",
    Side.ONLY_OTHER: "only with the other limits",
    Side.ONLY_AS_IS: "only as it is now",
    Side.ONLY_RAISED: "raised then, found by neither run",
}

VERDICTS: Mapping[Verdict, str] = {
    Verdict.REAL: "looks real",
    Verdict.NOISE: "looks like noise",
    Verdict.OPEN: "cannot be told yet",
}


def kind_words(kind: str) -> str:
    """Name a kind of alarm."""
    return kind.replace("_", " ")


def differs(other: Other, units: Units) -> tuple[str, ...]:
    """Say what would be different, a line for each."""
    told = {name: getattr(other, name) for name in _DIFFERS}
    said = [_DIFFERS[name](value, units) for name, value in told.items() if value is not None]
    said += [f"nobody is told of: {kind_words(kind)}" for kind in sorted(other.off)]
    return tuple(said) or (
        "nothing: as it is now, to see whether the runs find what was raised",
    )


_DIFFERS: Mapping[str, Callable[[float, Units], str]] = {
    "over_temperature_c": lambda value, units: f"too hot from {units.degrees(value)}",
    "over_temperature_critical_c": lambda value, units: f"critical from {units.degrees(value)}",
    "service_distance_km": lambda value, units: f"service every {units.length(value)}",
    "service_days": lambda value, _: f"service every {value:g} days",
    "service_life_share": lambda value, _: f"service at {value:.0%} of the fluid's life",
    "false_alarms_per_h": lambda value, _: f"one false alarm in {1.0 / value:,.0f} h allowed",
    "max_gap_s": lambda value, _: f"gaps of up to {value:g} s count as seen",
    "silent_after_s": lambda value, _: f"a moving truck is silent after {value:g} s",
}


def headline(found: Compared) -> str:
    """Say in a sentence what came of it."""
    more, fewer = found.of(Side.ONLY_OTHER), found.of(Side.ONLY_AS_IS)
    sooner = [each for each in found.of(Side.BOTH) if (each.matter.earlier_ms or 0) > 0]
    later = [each for each in found.of(Side.BOTH) if (each.matter.earlier_ms or 0) < 0]
    parts = []
    if sooner:
        parts.append(f"{number_of(len(sooner), 'alarm')} would have come sooner")
    if later:
        parts.append(f"{number_of(len(later), 'alarm')} later")
    if more:
        noise = sum(each.verdict is Verdict.NOISE for each in more)
        parts.append(f"{len(more)} more than now, of which {noise} {_look(noise)} like noise")
    if fewer:
        real = sum(each.verdict is Verdict.REAL for each in fewer)
        parts.append(f"{len(fewer)} would not have come, of which {real} {_look(real)} real")
    if not parts:
        return "The same alarms at the same times."
    return f"{'; '.join(parts)}."


def _look(count: int) -> str:
    return "looks" if count == 1 else "look"


def truthful(found: Compared) -> str:
    """Say how far the run with what holds now finds what was raised then."""
    then = [each for each in found.found if each.matter.raised or each.matter.as_is]
    same = sum(each.as_raised for each in then)
    if not then:
        return "Nothing was raised in this span, and the run with what holds now finds nothing."
    if same == len(then):
        which = "the one alarm that was" if same == 1 else f"all {same} alarms that were"
        return f"The run with what holds now finds {which} raised then, at the same times to the millisecond."
    return (
        f"Of {number_of(len(then), 'matter')} that were raised then or are found now, {same} agree to the "
        "millisecond. The others differ: limits, models, record or samples have changed since."
    )


def difference(each: Found) -> str:
    """Say how much sooner or later it would have come."""
    earlier_ms = each.matter.earlier_ms
    if earlier_ms is None:
        return SIDES[each.side]
    if earlier_ms == 0:
        return "at the same time"
    return f"{duration(abs(earlier_ms))} {'sooner' if earlier_ms > 0 else 'later'}"


def episode(each: Episode) -> str:
    """Say how urgent an episode became, and how long it lasted."""
    if each.cleared_ms is None:
        return f"{each.priority.name.lower()}, still stands at the end"
    return f"{each.priority.name.lower()}, for {duration(each.cleared_ms - each.raised_ms)}"


def hottest(each: Found, units: Units) -> str:
    """Say how hot the fluid became, where an alarm is about that."""
    if each.matter.kind != "over_temperature" or each.hottest_c is None:
        return ""
    return f"up to {units.degrees(each.hottest_c)}"


def hint(told: Told, units: Units) -> str:
    """Say one thing that tells whether it was real."""
    day = "" if told.time_ms is None else units.day(told.time_ms)
    match told.hint:
        case Hint.REPAIRED:
            return f"{KIND_WORDS[told.about]} on {day}"
        case Hint.FAULT:
            return f"{kind_words(told.about)} was found on {day}"
        case Hint.SAME_CAME:
            return "the same came within the hour as it is now"
        case Hint.ACKNOWLEDGED:
            return f"acknowledged by {told.about or 'somebody'} on {day}"
        case Hint.WITHDRAWN:
            return "withdrawn: later data show otherwise"
        case Hint.SHELVED:
            return f"shelved by {told.about or 'somebody'} on {day}"
        case Hint.NOTHING:
            return "over by itself; no work on it and no fault found since"
        case Hint.TOO_SOON:
            return "too soon to tell, or it still stands"
