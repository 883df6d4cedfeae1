"""What a slipping converter clutch is called: seen, usual, what else it may be, what to do. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping

from models.cautions import AT_THE_COOLER, ON_A_HOT_DRIVE
from models.circuit_words import clock
from models.units import Units
from models.words import Words


def words(evidence: Mapping[str, float], units: Units) -> Words:
    """Say it to a person."""
    measured = evidence["slip_measured"] > 0.0
    rpm = evidence["slip_rpm"]
    return Words(
        title="Converter clutch slips under load while commanded on",
        observed=_observed(evidence, units, measured=measured),
        expected=(
            f"This truck's closed clutch usually slips by about {evidence['usual_slip_rpm']:.0f} rpm under "
            f"load; beyond {evidence['slip_limit_rpm']:.0f} rpm nothing sound explains it."
        ),
        doubts=_doubts(evidence, measured=measured),
        action=(
            "Lighten the load on the clutch: lower gear, less throttle on grades, and have the truck "
            "looked at before the next heavy tow. In the shop: check level and colour of the fluid and "
            "the apply pressure, read the controller's codes, and have the converter judged."
        ),
        driver=ON_A_HOT_DRIVE,
        technician=AT_THE_COOLER,
        brief=f"Converter clutch slips by {rpm:.0f} rpm" + ("" if measured else " (estimated)"),
        at_once="Ease off, lower gear on grades; to the shop before the next heavy tow",
        since=_since(evidence, units),
        rivals="Worn or glazed lining, low apply pressure, low or aerated fluid.",
        tells_apart=_telling(evidence, measured=measured),
    )


def _observed(evidence: Mapping[str, float], units: Units, *, measured: bool) -> str:
    how = "measured" if measured else "estimated from engine and road speed"
    text = (
        f"{evidence['slip_rpm']:.0f} rpm of slip ({how}) through {evidence['minutes_of_slip']:.0f} min of "
        "driving under load with the clutch commanded on"
    )
    heat_kw, share = evidence["slip_heat_kw"], evidence["slip_heat_share"]
    if not math.isnan(heat_kw) and not math.isnan(share):
        text += f", about {heat_kw:.1f} kW of heat, {min(1.0, share):.0%} of all that the gearbox makes"
    text += "."
    fluid_c = evidence["fluid_temp_c"]
    if not math.isnan(fluid_c):
        limit = units.degrees(evidence["limit_temp_c"])
        text += f" Fluid at {units.degrees(fluid_c)}, limit {limit}."
    return text


def _since(evidence: Mapping[str, float], units: Units) -> str:
    second = evidence["suspected_since_unix_s"]
    return f"Slip has been undue since {clock(1000.0 * second, units)}." if second > 0.0 else ""


def _doubts(evidence: Mapping[str, float], *, measured: bool) -> str:
    if measured:
        return "A command that says on while the controller lets the clutch slip on purpose."
    other = "Tyres of another size, a gear signal that is wrong or late, a command that says on too soon."
    if evidence["overrun_unknown"] > 0.0:
        return f"{other} No overrun since has shown that the gear's ratio still holds."
    return other


def _telling(evidence: Mapping[str, float], *, measured: bool) -> str:
    if measured:
        return "The controller's own slip reading at steady throttle, and its pressure codes, in the shop."
    text = (
        "Slip goes with load: with other tyres engine and road speed are off by the same share coasting too. "
        "The controller's slip reading, in the shop, decides."
    )
    if evidence["gear_ratio_known_min"] < 5.0:
        text += " The gear's ratio rests on a few minutes so far."
    return text
