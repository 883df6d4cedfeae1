"""The fluids of a fleet file: ``[fluids.NAME]`` into what the models need to know of a fluid."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from models.ageing import CHART_POINTS
from models.chart import energy_j_mol, life_s, local_energy_j_mol
from models.fleet import BUILT_IN_FLUIDS, CHART, Fluid
from models.viscosity import temperature_at_c
from review.problems import Problem

FILM_MM2_S = 4.0
"""Kinematic viscosity below which the film is taken to be too thin [mm²/s]: about 4 cSt are needed at
working temperature to carry the load, by a fluid-diagnostics report of 2006."""

STEEPEST_J_MOL = 300e3
"""Highest activation energy that a fluid may have, or a chart between neighbours [J/mol]: twice what is
quoted for single reactions in oil. Own choice; far beyond, costs leave the range of numbers."""

_BY_CHART = ("activation_energy_kj_mol", "reference_life_h")


def _rising_and_falling(chart: list[list[float]]) -> list[list[float]]:
    for celsius, hours in chart:
        if not -40.0 <= celsius <= 250.0:
            raise ValueError(f"holds {celsius:g} °C; points lie from -40 to 250 °C")
        if not 0.0 < hours <= 1e7:
            raise ValueError(f"holds {hours:g} h; a life lies above 0 and up to 10,000,000 h")
    for (cold_c, long_h), (hot_c, short_h) in pairwise(chart):
        if hot_c <= cold_c:
            msg = (
                f"goes from {cold_c:g} to {hot_c:g} °C; write the points by rising temperature"
            )
            raise ValueError(msg)
        if short_h >= long_h:
            raise ValueError(
                f"has {long_h:g} h at {cold_c:g} °C and {short_h:g} h at {hot_c:g} °C; "
                "lives fall as it gets hotter"
            )
        if local_energy_j_mol([(cold_c, long_h), (hot_c, short_h)], 1) > STEEPEST_J_MOL:
            raise ValueError(
                f"falls from {long_h:g} to {short_h:g} h between {cold_c:g} and {hot_c:g} °C, "
                "steeper than any fluid; look at the units: degrees Celsius and hours"
            )
    return chart


Point = Annotated[list[float], Field(min_length=2, max_length=2)]
Points = Annotated[
    list[Point],
    Field(min_length=2, max_length=CHART_POINTS),
    AfterValidator(_rising_and_falling),
]


class FluidTable(BaseModel):
    """``[fluids.NAME]``."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False, frozen=True)

    activation_energy_kj_mol: Annotated[float, Field(ge=10.0, le=STEEPEST_J_MOL / 1000.0)] = (
        CHART.activation_energy_j_mol / 1000.0
    )
    activation_energy_sd_kj_mol: Annotated[float, Field(ge=0.0, le=50.0)] = (
        CHART.activation_energy_sd_j_mol / 1000.0
    )
    reference_temp_c: Annotated[float, Field(ge=20.0, le=200.0)] = CHART.reference_temp_c
    reference_life_h: Annotated[float, Field(gt=0.0, le=1e7)] = CHART.reference_life_s / 3600.0
    life_spread: Annotated[float, Field(ge=1.01, le=30.0)] = CHART.life_spread
    chart: Points | None = None
    antioxidant_at_end: Annotated[float, Field(ge=0.01, le=0.99)] = CHART.antioxidant_at_end
    oxidation_factor: Annotated[float, Field(ge=1.0, le=100.0)] = CHART.oxidation_factor
    kv40_mm2_s: Annotated[float, Field(ge=1.0, le=1000.0)] | None = None
    kv100_mm2_s: Annotated[float, Field(ge=1.0, le=100.0)] | None = None
    film_temp_c: Annotated[float, Field(ge=60.0, le=250.0)] | None = None


def fluid_of(name: str, row: FluidTable) -> Fluid:
    """Turn a table that was checked into the fluid."""
    kv40, kv100, film_c = row.kv40_mm2_s, row.kv100_mm2_s, row.film_temp_c
    if film_c is None and kv40 is not None and kv100 is not None:
        film_c = temperature_at_c(kv40, kv100, FILM_MM2_S)
    energy, reference_s = row.activation_energy_kj_mol * 1000.0, row.reference_life_h * 3600.0
    chart: tuple[tuple[float, float], ...] = ()
    if row.chart is not None:
        chart = tuple((celsius, hours * 3600.0) for celsius, hours in row.chart)
        energy, reference_s = energy_j_mol(chart), life_s(chart, row.reference_temp_c)
    return Fluid(
        name=name,
        activation_energy_j_mol=energy,
        activation_energy_sd_j_mol=row.activation_energy_sd_kj_mol * 1000.0,
        reference_temp_c=row.reference_temp_c,
        reference_life_s=reference_s,
        life_spread=row.life_spread,
        chart=chart,
        antioxidant_at_end=row.antioxidant_at_end,
        oxidation_factor=row.oxidation_factor,
        kv40_mm2_s=CHART.kv40_mm2_s if kv40 is None else kv40,
        kv100_mm2_s=CHART.kv100_mm2_s if kv100 is None else kv100,
        film_temp_c=CHART.film_temp_c if film_c is None else film_c,
    )


def fluid_checks(fluids: Mapping[str, Any], prefix: str) -> Iterator[Problem]:
    """Check what lies between keys, on the raw tables, whatever else is wrong with them."""
    for name in BUILT_IN_FLUIDS.keys() & fluids.keys():
        what = "this is a built-in fluid and cannot be changed"
        yield Problem(path=f"{prefix}fluids.{name}", what=what, mend="use another name")
    for name, row in fluids.items():
        if isinstance(row, Mapping):
            yield from _check(row, f"{prefix}fluids.{name}")


def _check(row: Mapping[str, Any], path: str) -> Iterator[Problem]:
    if "chart" in row:
        for key in _BY_CHART:
            if key in row:
                what = "stands beside a chart, which says the same"
                yield Problem(path=f"{path}.{key}", what=what, mend="leave out one of the two")
    kv40, kv100 = row.get("kv40_mm2_s"), row.get("kv100_mm2_s")
    if (kv40 is None) != (kv100 is None):
        given, missing = ("kv40", "kv100") if kv100 is None else ("kv100", "kv40")
        what = f"stands without {missing}_mm2_s"
        yield Problem(path=f"{path}.{given}_mm2_s", what=what, mend="give both or none")
    elif _numbers([kv40, kv100]) and kv40 <= kv100:  # type: ignore[operator] # numbers, just checked
        what = f"is {kv100:g}, not below kv40_mm2_s ({kv40:g})"
        yield Problem(path=f"{path}.kv100_mm2_s", what=what, mend="a fluid thins as it warms")


def _numbers(values: Sequence[object]) -> bool:
    return all(isinstance(value, int | float) for value in values)
