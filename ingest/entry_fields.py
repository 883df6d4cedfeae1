"""What an entry of the service record may say, by its kind: one table of numbers and words."""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import get_args

from models.fleet import Circuit, Cooler, Sensor, ThermalClass

LONGEST_WORD = 100
"""Characters of a word."""


class RecordError(ValueError):
    """One thing wrong with an entry: ``what``, ``where`` (its field), and how to ``mend`` it."""

    def __init__(self, *, what: str, where: str, mend: str) -> None:
        super().__init__(f"{where}: {what}; {mend}" if mend else f"{where}: {what}")
        self.what = what
        self.where = where
        self.mend = mend


@dataclass(frozen=True, slots=True)
class Number:
    """A number of an entry: its unit, and from where to where it is believed."""

    unit: str
    lowest: float
    highest: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Fields:
    """What a kind may say, what it must (``required``), and of what at least one thing."""

    numbers: tuple[str, ...] = ()
    words: tuple[str, ...] = ()
    required: tuple[str, ...] = ()
    one_of: tuple[str, ...] = ()


NUMBERS: Mapping[str, Number] = {
    "volume_l": Number("L", 0.05, 100.0),
    "odometer_km": Number("km", 0.0, 1e7),
    "life_used": Number("share", 0.0, 10.0),
    "filter": Number("yes or no", 0.0, 1.0),
    "fluid_total_l": Number("L", 1.0, 100.0),
    "thermostat_open_c": Number("°C", 30.0, 150.0),
    "thermostat_full_c": Number("°C", 30.0, 150.0),
    "coolant_valve": Number("yes or no", 0.0, 1.0),
    "air_cooler": Number("yes or no", 0.0, 1.0),
    "rated_torque_nm": Number("N·m", 20.0, 10_000.0),
    "antioxidant": Number("share", 0.0, 1.2),
    "antioxidant_sd": Number("share", 0.005, 0.5),
    "acid_mg_g": Number("mg KOH/g", 0.0, 50.0),
    "acid_new_mg_g": Number("mg KOH/g", 0.0, 50.0),
    "acid_rise_mg_g": Number("mg KOH/g", -5.0, 50.0),
    "acid_limit_mg_g": Number("mg KOH/g", 0.1, 50.0),
    "oxidation": Number("share", 0.0, 10.0),
    "viscosity_mm2_s": Number("mm²/s", 0.5, 1000.0),
    "viscosity_new_mm2_s": Number("mm²/s", 0.5, 1000.0),
    "viscosity_change": Number("share", -0.95, 10.0),
    "water_share": Number("share", 0.0, 1.0),
    "glycol": Number("yes or no", 0.0, 1.0),
    "lab_sd": Number("share", 0.02, 5.0),
}
"""Every number, in the order in which files list them. Beyond its range it is a slip of the pen;
own choice, the truck's as in the fleet file."""

FLAGS = frozenset(name for name, number in NUMBERS.items() if number.unit == "yes or no")
"""Numbers that are 1 for yes and 0 for no."""

WORDS: Mapping[str, tuple[str, ...]] = {
    "title": (),
    "circuit": get_args(Circuit),
    "cooler": get_args(Cooler),
    "fluid": (),
    "class": get_args(ThermalClass),
    "sensor": get_args(Sensor),
    "laboratory": (),
    "sample": (),
}
"""Every word, with what it may be; an empty tuple: any text. ``sample`` is the laboratory's number."""

CIRCUIT_NUMBERS = (
    "fluid_total_l",
    "thermostat_open_c",
    "thermostat_full_c",
    "coolant_valve",
    "air_cooler",
)
TRUCK_NUMBERS = (*CIRCUIT_NUMBERS, "rated_torque_nm")
TRUCK_WORDS = ("title", "circuit", "cooler", "fluid", "class", "sensor")

FINDINGS = (
    "antioxidant",
    "acid_rise_mg_g",
    "oxidation",
    "viscosity_change",
    "water_share",
    "glycol",
)
"""What a laboratory may have found; a sample says at least one of them."""

_SERVICE = ("volume_l", "odometer_km", "filter")

KINDS: Mapping[str, Fields] = {
    "register": Fields(numbers=TRUCK_NUMBERS, words=TRUCK_WORDS),
    "install": Fields(numbers=("odometer_km", "life_used", "filter"), words=("fluid",)),
    "exchange": Fields(numbers=_SERVICE),
    "pan_drop": Fields(numbers=_SERVICE),
    "filter": Fields(numbers=("odometer_km",)),
    "top_up": Fields(numbers=("volume_l", "odometer_km"), required=("volume_l",)),
    "fluid_change": Fields(numbers=_SERVICE, words=("fluid",), required=("fluid",)),
    "gearbox": Fields(
        numbers=(*TRUCK_NUMBERS, "life_used", "odometer_km"), words=TRUCK_WORDS[1:]
    ),
    "circuit": Fields(
        numbers=(*CIRCUIT_NUMBERS, "odometer_km"),
        words=("circuit", "cooler"),
    ),
    "sample": Fields(
        numbers=(
            "antioxidant",
            "antioxidant_sd",
            "acid_mg_g",
            "acid_new_mg_g",
            "acid_rise_mg_g",
            "acid_limit_mg_g",
            "oxidation",
            "viscosity_mm2_s",
            "viscosity_new_mm2_s",
            "viscosity_change",
            "water_share",
            "glycol",
            "lab_sd",
            "odometer_km",
        ),
        words=("laboratory", "sample"),
        one_of=FINDINGS,
    ),
    "struck": Fields(),
}
"""By kind, as in ``models.service.SERVICE_KINDS``, and ``struck``, which only strikes another out."""


def examine(
    kind: str, numbers: Mapping[str, float], words: Mapping[str, str]
) -> list[RecordError]:
    """Find everything wrong with what an entry says, taken by itself.

    Whether it fits the truck, its record and the fluids of the fleet is not asked here.
    """
    if kind not in KINDS:
        what = f"there is no entry of the kind {kind!r}"
        return [RecordError(what=what, where="kind", mend=_nearest(kind, KINDS, "kind"))]
    fields = KINDS[kind]
    said = {*numbers, *words}
    return [
        *(error for name, value in numbers.items() for error in _number(kind, name, value)),
        *(error for name, word in words.items() for error in _word(kind, name, word)),
        *(_missing(kind, name) for name in fields.required if name not in said),
        *_nothing(kind, fields, said),
        *_between(numbers),
    ]


def with_derived(numbers: Mapping[str, float]) -> dict[str, float]:
    """Add to a sample's numbers what follows from them: rise in acid number, change in viscosity."""
    return {**{name: value for name, _, value in _derived(numbers)}, **numbers}


def fit_text(text: str, where: str, longest: int) -> Iterator[RecordError]:
    """Say what is wrong with a text: too long, or not to be written in a file."""
    if len(text) > longest:
        what = f"the text has {len(text)} characters"
        yield RecordError(what=what, where=where, mend=f"shorten it to {longest}")
    strange = [each for each in text if each not in "\t\n\r" and _unwritable(each)]
    if strange:
        what = f"the text contains the character {strange[0]!a}, which no file can carry"
        yield RecordError(what=what, where=where, mend="leave it out")


def _unwritable(character: str) -> bool:
    """Say whether a character is a control character or half of a pair."""
    code = ord(character)
    return code < 0x20 or 0x7F <= code < 0xA0 or 0xD800 <= code < 0xE000


def _number(kind: str, name: str, value: float) -> Iterator[RecordError]:
    if name not in KINDS[kind].numbers:
        yield _stray(kind, name, KINDS[kind].numbers)
        return
    number = NUMBERS[name]
    if not number.lowest <= value <= number.highest:
        yield _out_of_range(name, number, value)
    elif name in FLAGS and value not in (0.0, 1.0):
        yield RecordError(what=f"is {value:g}", where=name, mend="give 1 for yes, 0 for no")


def _out_of_range(name: str, number: Number, value: float) -> RecordError:
    unit = "" if number.unit in ("yes or no", "share") else f" {number.unit}"
    kind = "share" if number.unit == "share" else "number"
    mend = f"give a {kind} from {number.lowest:,.9g} to {number.highest:,.9g}{unit}"
    if kind == "share":
        mend += ", where 1 is all of it"
    return RecordError(what=f"is {value:g}{unit}", where=name, mend=mend)


def _word(kind: str, name: str, word: str) -> Iterator[RecordError]:
    if name not in KINDS[kind].words:
        yield _stray(kind, name, KINDS[kind].words)
        return
    choices = WORDS[name]
    if choices and word not in choices:
        yield RecordError(
            what=f"is {word!r}", where=name, mend=f"use one of: {', '.join(choices)}"
        )
    elif not word.strip():
        yield RecordError(what="is empty", where=name, mend="write it, or leave it out")
    else:
        yield from fit_text(word, name, LONGEST_WORD)


def _missing(kind: str, name: str) -> RecordError:
    mend = f"give it: an entry {kind!r} needs it"
    return RecordError(what="is missing", where=name, mend=mend)


def _nothing(kind: str, fields: Fields, said: set[str]) -> Iterator[RecordError]:
    """Say that an entry says nothing of what it is for."""
    if not fields.one_of or said & set(fields.one_of):
        return
    alone = {"acid_mg_g": "acid_new_mg_g", "viscosity_mm2_s": "viscosity_new_mm2_s"}
    for given, needed in alone.items():
        if given in said:
            what = "says nothing without that of new fluid of the same kind, measured alike"
            yield RecordError(what=what, where=given, mend=f"give {needed} too")
            return
    yield RecordError(
        what=f"an entry {kind!r} that says nothing of what it is for",
        where="kind",
        mend=f"give at least one of: {', '.join(fields.one_of)}",
    )


def _between(numbers: Mapping[str, float]) -> Iterator[RecordError]:
    """Check numbers against each other."""
    opens = numbers.get("thermostat_open_c", -math.inf)
    full = numbers.get("thermostat_full_c", math.inf)
    if opens >= full:
        what = f"the valve would begin to open at {opens:g} °C and be fully open at {full:g} °C"
        mend = "give the temperature where it begins to open below the other"
        yield RecordError(what=what, where="thermostat_open_c", mend=mend)
    for name, source, value in _derived(numbers):
        if name not in numbers:
            continue
        if not math.isclose(numbers[name], value, rel_tol=1e-6, abs_tol=1e-6):
            what = f"is {numbers[name]:g}, but {source} make it {value:g}"
            mend = f"correct one of them, or leave {name} out"
            yield RecordError(what=what, where=name, mend=mend)


def _derived(numbers: Mapping[str, float]) -> Iterator[tuple[str, str, float]]:
    """Work out what follows from other numbers: name, from what, value."""
    acid, acid_new = numbers.get("acid_mg_g"), numbers.get("acid_new_mg_g")
    if acid is not None and acid_new is not None:
        yield "acid_rise_mg_g", "acid_mg_g and acid_new_mg_g", acid - acid_new
    thick, thick_new = numbers.get("viscosity_mm2_s"), numbers.get("viscosity_new_mm2_s")
    if thick is not None and thick_new:
        source = "viscosity_mm2_s and viscosity_new_mm2_s"
        yield "viscosity_change", source, thick / thick_new - 1.0


def _stray(kind: str, name: str, allowed: tuple[str, ...]) -> RecordError:
    known = name in NUMBERS or name in WORDS
    what = f"an entry {kind!r} has no {name}" if known else "is not known"
    return RecordError(what=what, where=name, mend=_nearest(name, allowed, "one it has"))


def _nearest(word: str, known: Iterable[str], what: str) -> str:
    listed = list(known)
    match = difflib.get_close_matches(word, listed, n=1, cutoff=0.0)
    if not match:
        return "leave it out"
    others = f" (of {', '.join(listed)})" if len(listed) > 1 else ""
    return f"the nearest {what} is {match[0]!r}{others}"
