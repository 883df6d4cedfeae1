"""Cold running: how long the fluid was below working temperature, and how thick it was meanwhile."""

from __future__ import annotations

import math
from dataclasses import dataclass

from models.fleet import Fluid
from models.histogram import FIRST_C, WIDTH_K, Bins, time_above_h
from models.units import Units
from models.viscosity import (
    EXTRAPOLATED_BELOW_C,
    LEAST_INDEX_MM2_S,
    viscosity_index,
    viscosity_mm2_s,
)

WORKING_C = 65.0
"""Temperature from which the fluid counts as warm [°C]. Own choice, about 15 K below the trade's best-life
band of 79 to 93 °C. At 75 °C more of a healthy truck's warm-up and of winter counts as cold."""

COMPARED_C = 90.0
"""Temperature that viscosity is compared with [°C]. Own choice, in the best-life band of the trade."""

_COST = (
    "Thick fluid costs drag: what its own friction takes rises at most in proportion to how thick it "
    "is. How much fuel that is depends on the gearbox and is not known here. For a circuit stuck open "
    "to its cooler the trade says 1 to 3 % (common practice, no source)."
)
_CAUSES = (
    "Short trips and cold weather raise this share just as a circuit that always cools too much does: "
    "it is a reason to look, not an alarm."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ColdRunning:
    """What is known of cold running of the fluid now in the gearbox.

    ``seen_h``: time with a known temperature [h]; ``cold_h`` of it below ``working_c`` [°C].
    ``thickness``: viscosity averaged over that time, relative to that at ``compared_c`` [°C] [-].
    ``coldest_c``: middle of the coldest bin [°C], with the viscosity there, ``thickest_mm2_s``
    [mm²/s]; ``thickest``: the same relative to that at ``compared_c`` [-]. ``kv40_mm2_s`` and
    ``kv100_mm2_s`` [mm²/s]: what it all rests on.
    """

    seen_h: float
    cold_h: float
    thickness: float
    coldest_c: float
    thickest_mm2_s: float
    thickest: float
    kv40_mm2_s: float
    kv100_mm2_s: float
    working_c: float = WORKING_C
    compared_c: float = COMPARED_C

    @property
    def cold_share(self) -> float:
        """Share of the time below working temperature [-]."""
        return min(1.0, self.cold_h / self.seen_h)

    @property
    def extrapolated(self) -> bool:
        """Whether the viscosity at the coldest is beyond what the method is good for."""
        return self.coldest_c < EXTRAPOLATED_BELOW_C


def cold_running(bins_s: Bins, fluid: Fluid) -> ColdRunning | None:
    """Tell from a fluid's time at temperature how cold it ran.

    Parameters
    ----------
    bins_s
        Seconds in each bin [s], shape (BINS,), as ``models.histogram`` keeps them. A pan drop
        thins them: time before it counts by the share of the fluid that stayed.
    fluid
        Its viscosities at 40 and 100 °C.

    Returns
    -------
    ColdRunning or None
        None while no time was seen. Colder than the coldest bin counts as that bin.

    Raises
    ------
    ValueError
        The fluid's viscosities are those of no fluid, see ``models.viscosity.line``.
    """
    spent = [(row, float(seconds)) for row, seconds in enumerate(bins_s) if seconds > 0.0]
    if not spent:
        return None
    coldest_c = _middle_c(spent[0][0])
    thickest = _viscosity(fluid, coldest_c)
    normal = _viscosity(fluid, COMPARED_C)
    seen_s = math.fsum(seconds for _, seconds in spent)
    weighted = math.fsum(_viscosity(fluid, _middle_c(row)) * seconds for row, seconds in spent)
    return ColdRunning(
        seen_h=seen_s / 3600.0,
        cold_h=max(0.0, seen_s / 3600.0 - time_above_h(bins_s.tolist(), WORKING_C)),
        thickness=weighted / (seen_s * normal),
        coldest_c=coldest_c,
        thickest_mm2_s=thickest,
        thickest=thickest / normal,
        kv40_mm2_s=fluid.kv40_mm2_s,
        kv100_mm2_s=fluid.kv100_mm2_s,
    )


def words(found: ColdRunning | None, units: Units) -> tuple[str, ...]:
    """Say what is known of cold running, and no more: a sentence or two each.

    Parameters
    ----------
    found
        As :func:`cold_running` gave it.
    units
        In which temperatures are written.
    """
    if found is None:
        return ("No temperature of this fluid has been seen yet.",)
    lines = [_how_long(found, units), _how_thick(found, units)]
    if found.extrapolated:
        lines.append(
            f"Below {units.degrees(EXTRAPOLATED_BELOW_C)} that is extrapolated and may be far off; a "
            "low-temperature figure on the fluid's data sheet tells more."
        )
    if found.cold_h > 0.0:
        lines += [_CAUSES, _COST]
    return tuple(lines)


def _how_long(found: ColdRunning, units: Units) -> str:
    return (
        f"Below {units.degrees(found.working_c)} for {_percent(found.cold_share)} of the time seen "
        f"({found.cold_h:,.0f} of {found.seen_h:,.0f} h)."
    )


def _how_thick(found: ColdRunning, units: Units) -> str:
    return (
        f"Averaged over all time seen, the fluid was {_two_digits(found.thickness)} times as thick as at "
        f"{units.degrees(found.compared_c)}; at its coldest, about {units.degrees(found.coldest_c)}, "
        f"{_two_digits(found.thickest)} times, some {_two_digits(found.thickest_mm2_s)} mm²/s. That "
        f"is for new fluid of {found.kv40_mm2_s:g} mm²/s at {units.degrees(40.0)} and "
        f"{found.kv100_mm2_s:g} mm²/s at {units.degrees(100.0)}{_index(found)}."
    )


def _index(found: ColdRunning) -> str:
    if found.kv100_mm2_s < LEAST_INDEX_MM2_S:
        return ""
    return f" (viscosity index {viscosity_index(found.kv40_mm2_s, found.kv100_mm2_s):.0f})"


def _middle_c(row: int) -> float:
    return FIRST_C + WIDTH_K * (row + 0.5)


def _viscosity(fluid: Fluid, celsius: float) -> float:
    return viscosity_mm2_s(fluid.kv40_mm2_s, fluid.kv100_mm2_s, celsius)


def _percent(share: float) -> str:
    return "less than 1 %" if 0.0 < share < 0.01 else f"{share:.0%}".replace("%", " %")


def _two_digits(number: float) -> str:
    if number > 1e5:
        return "more than 100,000"
    return f"{float(f'{number:.2g}'):,.0f}" if number >= 10.0 else f"{number:.2g}"
