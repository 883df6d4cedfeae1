"""What a form asks of each kind of entry: which fields, how each is read, and how it is written again."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from ingest.entry_fields import NUMBERS, WORDS
from models.units import KM_PER_MILE, QUARTS_PER_LITRE, Units
from review.measures import NotUnderstood, distance_km, share, temperature_c, volume_l

Read = Callable[[str, Units], float]

_DECIMAL = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """How a number is read from what somebody wrote, and written as they would."""

    read: Read
    write: Callable[[float, Units], str]


def _volume(litres: float, units: Units) -> str:
    if units.volume == "qt":
        return f"{litres * QUARTS_PER_LITRE:.4g} qt"
    return f"{litres:.4g} L"


def _distance(km: float, units: Units) -> str:
    return f"{km / KM_PER_MILE:.0f} mi" if units.distance == "mi" else f"{km:.0f} km"


def _temperature(celsius: float, units: Units) -> str:
    if units.temperature == "F":
        return f"{celsius * 1.8 + 32.0:.4g} °F"
    return f"{celsius:.4g} °C"


def _plain(text: str, units: Units) -> float:
    del units
    found = _DECIMAL.fullmatch(text.strip())
    if found is None:
        raise NotUnderstood(f"{text!r} is no number; write one like 2.4")
    return float(found[0])


VOLUME = Shape(read=volume_l, write=_volume)
DISTANCE = Shape(read=distance_km, write=_distance)
TEMPERATURE = Shape(read=temperature_c, write=_temperature)
SHARE = Shape(read=lambda text, _: share(text), write=lambda value, _: f"{100 * value:.4g}%")
NUMBER = Shape(read=_plain, write=lambda value, _: f"{value:.6g}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One field of a form.

    ``name`` is that of the entry's number or word; ``shape`` is None for a word. ``choices``: what it may be
    (value and label), empty for what is written freely; a flag is a box to tick.
    """

    name: str
    label: str
    hint: str = ""
    shape: Shape | None = None
    flag: bool = False
    choices: tuple[tuple[str, str], ...] = ()

    @property
    def is_number(self) -> bool:
        """Say whether it is one of the entry's numbers."""
        return self.name in NUMBERS


def _choices(name: str) -> tuple[tuple[str, str], ...]:
    return tuple((word, word.replace("_", " ")) for word in WORDS[name])


_YES_NO = (("1", "yes"), ("0", "no"))

_ODOMETER = Field(name="odometer_km", label="Odometer", shape=DISTANCE)
_FILTER = Field(name="filter", label="Filter changed too", flag=True)
_AMOUNT = Field(name="volume_l", label="Fluid put in", shape=VOLUME)
_FLUID = Field(name="fluid", label="Kind of fluid")
_LIFE = Field(
    name="life_used",
    label="Life the new fluid had used",
    hint="As a share, like 20%. Left empty: it is fresh.",
    shape=SHARE,
)
_TOTAL = Field(
    name="fluid_total_l",
    label="Fluid in all",
    hint="Gearbox, converter, lines and cooler together. Left empty: as before.",
    shape=VOLUME,
)
_CIRCUIT = (
    Field(name="circuit", label="Circuit", choices=_choices("circuit")),
    Field(name="cooler", label="Cooler", choices=_choices("cooler")),
    Field(
        name="thermostat_open_c",
        label="Valve begins to open at",
        hint="Left empty: as before, or the usual for another circuit.",
        shape=TEMPERATURE,
    ),
    Field(name="thermostat_full_c", label="Valve is fully open at", shape=TEMPERATURE),
    Field(
        name="coolant_valve",
        label="Valve in the coolant",
        hint="Only where the fluid is cooled by coolant.",
        shape=NUMBER,
        choices=_YES_NO,
    ),
    Field(
        name="air_cooler",
        label="Air cooler after the radiator's tank",
        hint="Only with a cooler in the radiator's tank.",
        shape=NUMBER,
        choices=_YES_NO,
    ),
)
_LABORATORY = (
    Field(name="laboratory", label="Laboratory"),
    Field(name="sample", label="Its number for the sample"),
    Field(
        name="antioxidant",
        label="Antioxidant left",
        hint="As a share of new fluid's, like 55%.",
        shape=SHARE,
    ),
    Field(name="acid_mg_g", label="Acid number, mg KOH/g", shape=NUMBER),
    Field(
        name="acid_new_mg_g",
        label="Acid number of new fluid, mg KOH/g",
        hint="Of the same kind, measured alike: without it the acid number says nothing.",
        shape=NUMBER,
    ),
    Field(name="acid_limit_mg_g", label="Rise that condemns, mg KOH/g", shape=NUMBER),
    Field(
        name="oxidation",
        label="Oxidation by infrared",
        hint="As a share of the laboratory's limit, like 40%.",
        shape=SHARE,
    ),
    Field(name="viscosity_mm2_s", label="Viscosity, mm²/s", shape=NUMBER),
    Field(
        name="viscosity_new_mm2_s",
        label="Viscosity of new fluid, mm²/s",
        hint="At the same temperature: without it the viscosity says nothing.",
        shape=NUMBER,
    ),
    Field(name="water_share", label="Water", hint="As a share, like 0.1%.", shape=SHARE),
    Field(name="glycol", label="Glycol was found", flag=True),
)

FIELDS: Mapping[str, tuple[Field, ...]] = {
    "pan_drop": (_AMOUNT, _FILTER, _ODOMETER),
    "exchange": (_AMOUNT, _FILTER, _ODOMETER),
    "filter": (_ODOMETER,),
    "top_up": (_AMOUNT, _ODOMETER),
    "sample": (*_LABORATORY, _ODOMETER),
    "fluid_change": (_FLUID, _AMOUNT, _FILTER, _ODOMETER),
    "gearbox": (_FLUID, _TOTAL, _LIFE, *_CIRCUIT, _ODOMETER),
    "circuit": (*_CIRCUIT, _TOTAL, _ODOMETER),
    "install": (_FLUID, _LIFE, _FILTER, _ODOMETER),
}
"""By kind of entry, in the order in which they are asked; time and note are asked of all."""

WORK = ("pan_drop", "exchange", "filter", "top_up", "sample")
"""The everyday ones, which whoever does the work enters."""
