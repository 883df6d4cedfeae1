"""An entry of the service record in plain words."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from ingest.record import STRUCK, Entry
from models.fleet import Vehicle
from models.service import PAN_DROP_SHARE
from review.measures import Writer

KIND_WORDS: Mapping[str, str] = {
    "register": "registered",
    "install": "fill dated",
    "exchange": "fluid exchanged",
    "pan_drop": "pan drop",
    "filter": "filter changed",
    "top_up": "topped up",
    "fluid_change": "other fluid",
    "gearbox": "gearbox replaced",
    "circuit": "circuit changed",
    "sample": "laboratory sample",
    STRUCK: "struck out",
}
"""What each kind of entry is called."""

_Say = Callable[[float, Writer], str]


def _percent(text: str) -> _Say:
    return lambda value, _units: text.format(f"{value:.0%}")


def _number(text: str) -> _Say:
    return lambda value, _units: text.format(f"{value:.3g}")


def _has(what: str) -> _Say:
    return lambda value, _units: f"with {what}" if value == 1.0 else f"no {what}"


_SAID: Mapping[str, _Say] = {
    "volume_l": lambda value, units: f"{units.amount(value)} of new fluid",
    "filter": lambda value, _units: "filter changed" if value == 1.0 else "filter not changed",
    "odometer_km": lambda value, units: f"at {units.length(value)}",
    "life_used": _percent("fluid had used {} of its life"),
    "fluid_total_l": lambda value, units: f"{units.amount(value)} in all",
    "thermostat_open_c": lambda value, units: f"valve opens at {units.degrees(value)}",
    "thermostat_full_c": lambda value, units: f"fully open at {units.degrees(value)}",
    "coolant_valve": _has("coolant valve"),
    "air_cooler": _has("air cooler after the tank"),
    "rated_torque_nm": lambda value, _units: f"rated torque {value:,.0f} N·m",
    "antioxidant": _percent("antioxidant left {}"),
    "antioxidant_sd": _percent("its error {}"),
    "acid_mg_g": _number("acid number {} mg KOH/g"),
    "acid_new_mg_g": _number("new fluid {} mg KOH/g"),
    "acid_limit_mg_g": _number("limit of its rise {} mg KOH/g"),
    "oxidation": _percent("infrared oxidation {} of its limit"),
    "viscosity_mm2_s": _number("viscosity {} mm²/s"),
    "viscosity_new_mm2_s": _number("new fluid {} mm²/s"),
    "water_share": lambda value, _units: f"water {value:.2%}",
    "glycol": lambda value, _units: "glycol found" if value == 1.0 else "no glycol",
    "lab_sd": _percent("error of acid, oxidation, viscosity {} of a life"),
}
"""By name of a number, in the order in which they are said; what the models derive is left out."""

_DERIVED: Mapping[str, str] = {
    "acid_rise_mg_g": "acid_mg_g",
    "viscosity_change": "viscosity_mm2_s",
}
_DERIVED_SAID: Mapping[str, _Say] = {
    "acid_rise_mg_g": _number("acid number risen by {} mg KOH/g"),
    "viscosity_change": lambda value, _units: f"viscosity changed by {value:+.0%}",
}

_BESIDE_NEW = (
    ("acid_mg_g", "acid_rise_mg_g", "acid number", "--acid-new"),
    ("viscosity_mm2_s", "viscosity_change", "viscosity", "--viscosity-new"),
)
"""What a laboratory finds that is read beside the same of new fluid: its name, that of what follows from
both, what it is called, and the option that gives new fluid's."""

_WORDS = ("title", "fluid", "circuit", "cooler", "class", "sensor", "laboratory", "sample")
_OWN = frozenset({"title", "fluid", "laboratory", "sample"})
"""Words that are as people have written them."""


def details(entry: Entry, units: Writer) -> str:
    """Say the numbers and words of an entry."""
    said = [_word(name, entry.words[name]) for name in _WORDS if name in entry.words]
    said += [
        say(entry.numbers[name], units) for name, say in _SAID.items() if name in entry.numbers
    ]
    said += [
        say(entry.numbers[name], units)
        for name, say in _DERIVED_SAID.items()
        if name in entry.numbers and _DERIVED[name] not in entry.numbers
    ]
    return ", ".join(said)


def assumed(entry: Entry, vehicle: Vehicle, units: Writer) -> str:
    """Say what is assumed where an entry leaves it out; nothing when it does not."""
    if entry.kind == "sample":
        return " ".join(
            f"The {what} alone says nothing and is not weighed: {option} gives that of new fluid of "
            "the same kind."
            for found, needed, what, option in _BESIDE_NEW
            if found in entry.numbers and needed not in entry.numbers
        )
    if "volume_l" in entry.numbers:
        return ""
    total_l = vehicle.fluid_total_l
    if entry.kind == "pan_drop":
        volume = units.amount(PAN_DROP_SHARE * total_l)
        return (
            f"No volume was given: {volume} of {units.amount(total_l)} are assumed, the usual "
            "share. "
            "Measure what runs out and say --volume."
        )
    if entry.kind in ("exchange", "fluid_change"):
        return f"No volume was given: all {units.amount(total_l)} are taken as new."
    return ""


def _word(name: str, word: str) -> str:
    if name == "title":
        return f"called {word}"
    if name in _OWN:
        return f"{name} {word}"
    return f"{name} {word.replace('_', ' ')}"
