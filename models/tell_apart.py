"""What would tell two causes apart: what a person can look at, and what each cause would show there.

Pure words. Common practice of the trade, no source but the heat balance itself. Nothing here sends anybody
under a truck at the roadside.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from models.hypotheses import AIR, FLOW, HEALTHY, LOW, OPEN, SENSOR, SHUT, SLIP


class Look(NamedTuple):
    """One thing to look at, and what each cause shows there; a cause that is missing says nothing."""

    at: str
    shows: Mapping[int, str]


_LINES = Look(
    "Both cooler lines, read by a hand-held thermometer in the shop after a warm run",
    {
        SHUT: "they are cold beside a hot sump",
        FLOW: "the one out is hot and the one back far colder",
        AIR: "both are hot",
        LOW: "they are only lukewarm",
        HEALTHY: "the one out is hot and the one back clearly cooler",
        SLIP: "the one out is hot and the one back clearly cooler",
        SENSOR: "they do not fit what the sensor reads",
        OPEN: "they warm from the start",
    },
)
_COOLANT_LINES = Look(
    "The fluid lines of the exchanger, read by a hand-held thermometer in the shop after a warm run",
    {
        **_LINES.shows,
        SHUT: "the one back is as hot as the one out",
        LOW: "the one back is little cooler than the one out",
        OPEN: "they go with the coolant from the start",
    },
)
_HIGHWAY = Look(
    "Readings at highway speed with the same load (of runs already made; do not load a hot truck for it)",
    {
        AIR: "the fluid cools as the truck goes faster",
        **dict.fromkeys((SHUT, LOW, FLOW, SLIP), "the fluid stays as hot"),
    },
)
_IDLE = Look(
    "A stop after a hot pull, parked where it is safe, in Neutral, the engine at a raised idle",
    {
        **dict.fromkeys((HEALTHY, SLIP), "the fluid cools plainly within two minutes"),
        **dict.fromkeys((LOW, FLOW, AIR), "the fluid cools slowly"),
        SHUT: "the fluid hardly cools",
    },
)
_COLD_MORNING = Look(
    "The readings before the first start on a cold morning",
    {
        SENSOR: "fluid, coolant and outside air disagree",
        **dict.fromkeys((HEALTHY, SHUT, LOW, OPEN, AIR, FLOW, SLIP), "all agree"),
    },
)
_UNLOCKED = Look(
    "The slip signal, or engine speed against road speed in a locked gear",
    {
        SLIP: "the engine runs ahead of the road",
        **dict.fromkeys((HEALTHY, SHUT, LOW, AIR, FLOW, OPEN), "it does not"),
    },
)
_WARM_UP = Look(
    "A whole loaded drive from cold",
    {
        OPEN: "the fluid stays below the valve's setting",
        HEALTHY: "the fluid climbs to the valve's setting and holds there",
        LOW: "the fluid climbs past the valve's setting",
        SHUT: "the fluid climbs past the valve's setting",
    },
)
_COOLANT_WARM_UP = Look(
    "The first minutes of a drive from cold",
    {
        OPEN: "the fluid follows the coolant from the start",
        **dict.fromkeys((HEALTHY, SHUT, LOW), "the fluid warms by its own heat alone"),
    },
)
# The first that tells two causes apart is named: what needs no shop comes first.
_ANY = (_COLD_MORNING, _UNLOCKED, _HIGHWAY, _IDLE)
_LOOKS = (*_ANY, _WARM_UP, _LINES)
_LOOKS_BY_COOLANT = (*_ANY, _COOLANT_WARM_UP, _COOLANT_LINES)
_NAMES: Mapping[int, str] = {
    HEALTHY: "a healthy circuit",
    SHUT: "a stuck bypass valve",
    LOW: "some other lack of cooling",
    OPEN: "a valve stuck to the cooler",
    AIR: "a lack of air",
    FLOW: "a lack of flow",
    SLIP: "a slipping lockup clutch",
    SENSOR: "a wrong sensor",
}
_NAMES_BY_COOLANT: Mapping[int, str] = {
    SHUT: "a coolant valve stuck shut",
    OPEN: "a coolant valve stuck open",
}


def called(hypothesis: int, *, by_coolant: bool) -> str:
    """Name a hypothesis in a few words, with its article."""
    return (_NAMES_BY_COOLANT if by_coolant else {}).get(hypothesis, _NAMES[hypothesis])


def look(one: int, other: int, *, by_coolant: bool) -> Look | None:
    """Give what tells two hypotheses apart, what needs no shop first; None: nothing does."""
    for each in _LOOKS_BY_COOLANT if by_coolant else _LOOKS:
        first, second = each.shows.get(one, ""), each.shows.get(other, "")
        if first and second and first != second:
            return each
    return None


def telling(found: Look, hypotheses: Sequence[int], *, by_coolant: bool) -> str:
    """Say what each of the hypotheses would show there; those that show the same are said together."""
    shown: dict[str, list[str]] = {}
    for each in hypotheses:
        shown.setdefault(found.shows[each], []).append(called(each, by_coolant=by_coolant))
    said = [f"with {_either(names)} {what}" for what, names in shown.items()]
    return f"{found.at}: {'; '.join(said)}."


def _either(names: Sequence[str]) -> str:
    return " or ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)
