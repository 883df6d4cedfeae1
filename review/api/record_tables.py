"""The names that entries of the service record have in the API, by the tables of ``ingest.entry_fields``."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Annotated, Any

from pydantic import Field

from ingest.entry import LONGEST_NOTE
from ingest.entry_fields import FLAGS, KINDS, LONGEST_WORD, NUMBERS, WORDS
from review.api.shape import OneOf

PRINTABLE = r"^[^\x00-\x1f\x7f-\x9f]*$"
"""Texts without control characters."""

WORD = r"^[^\x00-\x20\x7f-\xa0][^\x00-\x1f\x7f-\x9f]*$"
"""The same, and not blank at its beginning."""

Note = Annotated[str, Field(max_length=LONGEST_NOTE, pattern=PRINTABLE)]

_OWN = {"filter": "filter_changed", "class": "thermal_class", "sample": "laboratory_number"}

MEANT: Mapping[str, str] = MappingProxyType(
    {
        "volume_l": "New fluid [L]; left out: the usual share (pan drop), all of it (exchange).",
        "odometer_km": "The truck's counter then [km].",
        "life_used": "What the fluid that went in had used of its life [-].",
        "filter": "Whether the filter was changed too.",
        "fluid_total_l": "What the truck holds in all [L].",
        "thermostat_open_c": "Where the valve begins to open [°C].",
        "thermostat_full_c": "Where it is fully open [°C].",
        "coolant_valve": "Whether a coolant exchanger has a valve in its coolant.",
        "air_cooler": "Whether an air cooler follows the radiator's tank.",
        "rated_torque_nm": "Engine torque at 100 % load [N·m].",
        "antioxidant": "Antioxidant left, of the new fluid's [-].",
        "antioxidant_sd": "Standard deviation of that [-].",
        "acid_mg_g": "Acid number [mg KOH/g].",
        "acid_new_mg_g": "That of new fluid of the same kind [mg KOH/g].",
        "acid_rise_mg_g": "How far the acid number has risen [mg KOH/g]; follows from the two.",
        "acid_limit_mg_g": "Limit of that rise [mg KOH/g].",
        "oxidation": "Infrared oxidation as a share of its limit [-].",
        "viscosity_mm2_s": "Viscosity [mm²/s].",
        "viscosity_new_mm2_s": "That of new fluid of the same kind [mm²/s].",
        "viscosity_change": "Change of the viscosity [-]; follows from the two.",
        "water_share": "Water [-].",
        "glycol": "Whether glycol was found.",
        "lab_sd": "Standard deviation of acid, oxidation, viscosity, as a share of a life [-].",
        "title": "What people call the truck.",
        "circuit": "How it cools its fluid.",
        "cooler": "What its cooler is.",
        "fluid": "Its fluid, by the name that the fleet file gives it.",
        "class": "Its thermal class.",
        "sensor": "Where its sensor sits.",
        "laboratory": "The laboratory.",
        "sample": "The number that the laboratory gave the sample.",
    }
)

CALLED: Mapping[str, str] = MappingProxyType(
    {
        "register": "A truck that the fleet file does not name",
        "install": "When the fill went in",
        "exchange": "Fluid exchanged for new of the same kind",
        "pan_drop": "Pan drained and filled up",
        "filter": "Filter changed and nothing else",
        "top_up": "New fluid for what was lost",
        "fluid_change": "Another kind of fluid",
        "gearbox": "Another gearbox, with its fluid",
        "circuit": "Another way to cool the fluid",
        "sample": "What a laboratory found",
        "struck": "An entry that only strikes out the one it supersedes",
    }
)
"""What an entry of each kind says."""


def named(name: str) -> str:
    """Give the name in the API of a number or word of the record: it carries its unit."""
    if name in _OWN:
        return _OWN[name]
    share = name in NUMBERS and NUMBERS[name].unit == "share" and not name.endswith("share")
    return f"{name}_share" if share else name


FIELDS: Mapping[str, str] = MappingProxyType({named(name): name for name in (*NUMBERS, *WORDS)})
"""The record's name of each field of the API."""


def taken(name: str, *, required: bool) -> tuple[Any, Any]:
    """Give type and description of a field as it is sent."""
    if required:
        return _sent(name), Field(description=MEANT[name])
    return _sent(name) | None, Field(default=None, description=MEANT[name])


def corrected(name: str) -> tuple[Any, Any]:
    """Give type and description of a field as a correction has it: null takes a number out, a word stays."""
    if name in NUMBERS:
        told = f"{MEANT[name]} null: take it out."
        return _sent(name) | None, Field(default=None, description=told)
    return _sent(name), Field(default_factory=str, description=MEANT[name])


def given(name: str) -> tuple[Any, Any]:
    """Give type and description of a field as it is answered: null where nobody said it."""
    kind: Any = str
    if name in FLAGS:
        kind = bool
    elif name in NUMBERS:
        kind = float
    elif WORDS[name]:
        kind = Annotated[str, OneOf(WORDS[name])]
    return kind | None, Field(description=MEANT[name])


def _sent(name: str) -> Any:
    if name in FLAGS:
        return bool
    if name in NUMBERS:
        number = NUMBERS[name]
        return Annotated[float, Field(ge=number.lowest, le=number.highest)]
    if WORDS[name]:
        return Annotated[str, OneOf(WORDS[name])]
    return Annotated[str, Field(min_length=1, max_length=LONGEST_WORD, pattern=WORD)]


ENTERED = tuple(kind for kind in KINDS if kind != "struck")
"""The kinds that can be entered."""
