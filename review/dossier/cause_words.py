"""Causes and clues in plain words."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from models import circuit_words
from models.circuit_words import WORTH_NAMING
from models.hypotheses import NAMES, OPEN, SENSOR
from models.tell_apart import called, look, telling
from review.dossier.facts import Clue, Departure, Dossier
from review.dossier.pen import Pen

KINDS: Mapping[str, str] = {
    "lockup_slip": "a slipping lockup clutch",
    "sensor_fault": "a wrong sensor",
    "bypass_stuck": "a stuck bypass valve",
    "coolant_valve_stuck": "a stuck coolant valve",
    "cooler_starved": "a starved cooler",
    "heat_rejection_low": "a lack of cooling",
    "overcooled": "a valve stuck to the cooler",
}
"""What the alarms of faults say was wrong."""


def cause_name(found: Dossier, place: int) -> str:
    """Name a cause for the circuit that the truck has."""
    return circuit_words.cause(place, _evidence(found))


def first_cause(found: Dossier) -> str:
    """Name what went first, in a few words."""
    left = found.departure
    if left is None:
        return "nothing"
    if left.cause < 0:
        return KINDS.get(left.alarm, left.alarm.replace("_", " "))
    return called(left.last_cause, by_coolant=found.coolant_cooled)


def grew(found: Dossier, left: Departure) -> str:
    """Say that it first looked like something else; empty where it did not."""
    if left.cause in (left.last_cause, -1):
        return ""
    return f"At first it looked like {called(left.cause, by_coolant=found.coolant_cooled)}."


def for_and_against(found: Dossier, place: int) -> tuple[list[int], list[int]]:
    """Give the numbers, from 1, of the clues that speak for a cause and of those against it."""
    numbered = list(enumerate(found.clues, 1))
    return (
        [number for number, each in numbered if place in each.speaks_for],
        [number for number, each in numbered if place in each.speaks_against],
    )


def telling_apart(found: Dossier) -> list[str]:
    """Say what a person can look at that would tell the first cause from the others that remain."""
    if not found.causes:
        return []
    first, *others = found.causes
    remain = [
        each.place
        for each in others
        if max(each.last, each.first) >= WORTH_NAMING or each is others[0]
    ]
    said = []
    for other in remain:
        at = look(first.place, other, by_coolant=found.coolant_cooled)
        if at is not None:
            places = (first.place, other)
            said.append(telling(at, places, by_coolant=found.coolant_cooled))
    return list(dict.fromkeys(said))


def clue_words(clue: Clue, pen: Pen) -> str:
    """Say one thing that was seen."""
    return _CLUES[clue.kind](clue.numbers, pen)


def _evidence(found: Dossier) -> dict[str, float]:
    named = {f"p_{NAMES[each.place]}": max(each.last, each.highest) for each in found.causes}
    named.setdefault(f"p_{NAMES[found.doubted]}", found.doubt)
    return {**named, "coolant_cooled": float(found.coolant_cooled)}


_Numbers = Mapping[str, float]
_Say = Callable[[_Numbers, Pen], str]


def _gap(numbers: _Numbers, pen: Pen) -> str:
    off_k = numbers["fluid_c"] - numbers["expected_c"]
    way = "above" if off_k > 0.0 else "below"
    sd_k = 1.28 * numbers["expected_sd_k"]
    low, high = numbers["expected_c"] - sd_k, numbers["expected_c"] + sd_k
    return (
        f"the fluid read {pen.degrees(numbers['fluid_c'])} at {pen.moment(numbers['time_ms'])}, "
        f"{pen.difference(abs(off_k))} {way} what a healthy circuit would have shown with this load and "
        f"weather ({pen.degrees(numbers['expected_c'])}; 8 in 10: {pen.degrees(low)} to "
        f"{pen.degrees(high)})"
    )


def _share(numbers: _Numbers, pen: Pen) -> str:
    del pen
    share, sd = numbers["share"], numbers["share_sd"]
    low, high = max(0.0, share - 1.28 * sd), share + 1.28 * sd
    return (
        f"the cooler carried about {100 * max(0.0, share):.0f}% of what this truck's does when healthy "
        f"(8 in 10: {100 * low:.0f} to {100 * high:.0f}%)"
    )


def _air(text: str) -> _Say:
    return lambda numbers, pen: text.format(
        fast=pen.difference(max(0.0, numbers["fast_k"])),
        slow=pen.difference(max(0.0, numbers["slow_k"])),
    )


def _stop(text: str) -> _Say:
    return lambda numbers, pen: text.format(
        minutes=f"{numbers['minutes']:.0f}",
        start=pen.degrees(numbers["from_c"]),
        fell=pen.difference(numbers["fell_k"]),
    )


def _line(text: str) -> _Say:
    return lambda numbers, pen: text.format(
        line=pen.degrees(numbers["line_c"]), fluid=pen.degrees(numbers["fluid_c"])
    )


def _slip(text: str) -> _Say:
    return lambda numbers, _pen: text.format(slip=f"{numbers['slip_rpm']:.0f} rpm")


def _work(text: str) -> _Say:
    return lambda numbers, pen: text.format(
        healthy=pen.degrees(numbers["healthy_c"]),
        hottest=pen.degrees(numbers["hottest_c"]),
        share=f"{100 * numbers['share']:.0f}%",
    )


def _nights(numbers: _Numbers, pen: Pen) -> str:
    nights = f"{numbers['nights']:.0f} night{'' if numbers['nights'] == 1.0 else 's'}"
    return (
        f"after {nights} parked cold, fluid, coolant and outside air agreed; the fluid's sensor was off by "
        f"{pen.difference(abs(numbers['offset_k']))}, give or take {pen.difference(numbers['offset_sd_k'])}"
    )


_CLUES: Mapping[str, _Say] = {
    "hotter": _gap,
    "colder": _gap,
    "share": _share,
    "air_helped": _air(
        "with air at highway speed it was {fast} too hot, slowly {slow}: air helped"
    ),
    "air_no_help": _air(
        "at highway speed it was {fast} too hot, slowly {slow}: more air did not help"
    ),
    "stop_slow": _stop(
        "at a stop of {minutes} min with the engine running and no load it fell from {start} by {fell} only"
    ),
    "stop_fast": _stop(
        "at a stop of {minutes} min with the engine running it fell from {start} by {fell}, as a "
        "cooler does"
    ),
    "line_cold": _line(
        "the line to the cooler was at {line} beside a sump of {fluid}: nothing flowed"
    ),
    "line_hot": _line(
        "the line to the cooler was at {line} beside a sump of {fluid}: fluid flowed"
    ),
    "slips": _slip("with the clutch closed the engine ran {slip} ahead"),
    "no_slip": _slip("with the clutch closed the engine ran {slip} ahead at most: it held"),
    "work_explains": _work(
        "the same work would have brought a healthy circuit to {healthy} (it was {hottest})"
    ),
    "work_does_not": _work(
        "the same work would have brought a healthy circuit to {healthy} and not {hottest}, and cost "
        "{share} of the ageing of these days"
    ),
    "nights_agree": _nights,
    "nights_off": lambda numbers, _pen: (
        f"after {numbers['faulty']:.0f} nights parked cold the fluid's sensor was off too far to be "
        "believed"
    ),
}

OF_THE_SENSOR = frozenset({SENSOR})
OF_THE_COLD = frozenset({OPEN})
