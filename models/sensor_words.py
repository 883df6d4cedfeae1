"""The words of a doubted sensor: which it is, what it showed, what else it may be, what would tell."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from models.cautions import HOT_FLUID, OWN_GAUGE, SHOP_ONLY, STOP_SAFELY, WIRING
from models.sensor_watch import (
    BIASED,
    DRIFTING,
    FROZEN,
    IMPOSSIBLE,
    NOISY,
    STEPPED,
)
from models.units import Units
from models.words import Words

FLUID, AIR, COOLANT = 0, 1, 2
"""Which sensor, as the evidence has it."""

MISSING = 7
"""What is wrong, beside what ``models.sensor_watch`` numbers: the fluid's signal stopped."""

_NAMES = {FLUID: "fluid's", AIR: "outside air's", COOLANT: "coolant's"}

_SAYS = {
    FROZEN: "stands still",
    NOISY: "jumps about",
    STEPPED: "leapt and stayed off",
    BIASED: "is off",
    DRIFTING: "drifts",
    IMPOSSIBLE: "reads what cannot be",
    MISSING: "sends nothing",
}

_Numbers = Mapping[str, float]


def words(evidence: _Numbers, units: Units) -> Words:
    """Say it to a person."""
    sensor, what = int(evidence["sensor"]), int(evidence["what"])
    if sensor != FLUID:
        return _odd_one(evidence, units, _NAMES[sensor])
    says = _SAYS.get(what, "is in doubt")
    meanwhile = (
        "Until it is mended do not rely on this truck's fluid temperature: the heat account, the "
        "cooling circuit's checks and the over-temperature limits all rest on it."
    )
    observed = _OBSERVED.get(what, _unclear)(evidence, units)
    return Words(
        title=f"Fluid temperature sensor {says}",
        observed=observed,
        expected=_expected(evidence, units, what),
        doubts=_doubts(what, alone=int(evidence["compared_with_one"])),
        action=(
            "Have the sensor, its plug and its wiring checked at the next stop in the shop. "
            f"{meanwhile}"
        ),
        driver=(OWN_GAUGE, STOP_SAFELY),
        technician=(HOT_FLUID, WIRING, SHOP_ONLY),
        brief=f"Fluid temperature sensor {says}",
        at_once="Do not rely on the fluid temperature; have sensor and plug checked",
        since=_since(evidence),
        rivals=_rivals(evidence),
        tells_apart=(
            "With the engine off for a night, a hand-held infrared reading of the pan beside what the "
            "sensor shows: they should agree within a few degrees. A plug moved by hand with the "
            "key on and the engine off shows a loose one."
        ),
    )


def _frozen(evidence: _Numbers, units: Units) -> str:
    return (
        f"Exactly {units.degrees(evidence['fluid_temp_c'])} for "
        f"{_minutes(evidence['minutes_the_same'])} of running time, to the last digit."
    )


def _noisy(evidence: _Numbers, units: Units) -> str:
    return (
        f"Neighbouring readings scatter by about {units.difference(evidence['scatter_k'])}; this "
        f"truck's own scatter is about {_fine(evidence['usual_scatter_k'], units)}."
    )


def _stepped(evidence: _Numbers, units: Units) -> str:
    step = evidence["step_k"]
    if math.isnan(step):
        return _biased(evidence, units)
    way = "up" if step > 0.0 else "down"
    return (
        f"From one reading to the next it went {way} by {units.difference(abs(step))} and stayed "
        "there, smooth before and after."
    )


def _biased(evidence: _Numbers, units: Units) -> str:
    off = evidence["off_after_night_k"]
    if math.isnan(off):
        return _unclear(evidence, units)
    way = "more" if off > 0.0 else "less"
    return (
        f"After a night it read {units.difference(abs(off))} {way} than outside air and coolant "
        "lead to expect of this truck."
    )


def _drifting(evidence: _Numbers, units: Units) -> str:
    change = evidence["change_between_nights_k"]
    if math.isnan(change):
        return _biased(evidence, units)
    return (
        f"{_biased(evidence, units)} Since the night before, that has changed by "
        f"{units.difference(abs(change))}."
    )


def _impossible(evidence: _Numbers, units: Units) -> str:
    return (
        f"It reads {units.degrees(evidence['fluid_temp_c'])}{_beside(evidence, units)}: fluid in a "
        "running gearbox is not so."
    )


def _missing(evidence: _Numbers, units: Units) -> str:
    del units
    return (
        f"No fluid temperature for {_minutes(evidence['minutes_missing'])} of driving, while other "
        "signals come; it was sent before."
    )


def _unclear(evidence: _Numbers, units: Units) -> str:
    return f"It reads {units.degrees(evidence['fluid_temp_c'])}{_beside(evidence, units)}."


_OBSERVED: Mapping[int, Callable[[_Numbers, Units], str]] = {
    FROZEN: _frozen,
    NOISY: _noisy,
    STEPPED: _stepped,
    BIASED: _biased,
    DRIFTING: _drifting,
    IMPOSSIBLE: _impossible,
    MISSING: _missing,
}


def _expected(evidence: _Numbers, units: Units, what: int) -> str:
    if what == FROZEN and evidence["expected_motion_k"] >= 1.0:
        return (
            "In that time the heat that went in and out, or a rest, must have moved it by some "
            f"{units.difference(evidence['expected_motion_k'])}."
        )
    if what == FROZEN:
        longest = _minutes(evidence["longest_hold_minutes"])
        return (
            f"This sensor flickers: before, it never held one value for longer than {longest}."
        )
    if what in (BIASED, DRIFTING):
        return "After a night fluid, coolant and outside air agree within a few degrees."
    if what == MISSING:
        return "A reading with every few samples, as before."
    return (
        "Fluid, pan and sensor have mass: their temperature moves smoothly, as heat moves it."
    )


def _doubts(what: int, *, alone: int) -> str:
    if what in (BIASED, DRIFTING):
        other = {1: "coolant", 2: "outside air"}.get(alone)
        if other:
            return (
                f"There was only the {other} to compare with: the two disagree, and which of them is "
                "off cannot be said."
            )
        return (
            "Weather that changed overnight, an engine heater or a short run that nobody saw; they "
            "do not come back night after night."
        )
    if what == FROZEN:
        return "A gateway that repeats its last value looks the same from here."
    if what == STEPPED:
        return "A sensor or a gateway that was changed, or set anew, at that moment."
    if what == MISSING:
        return "A plug, a wire, or a gateway that no longer asks for the signal."
    return "A loose plug, a chafed wire, poor ground, or water in the connector."


def _odd_one(evidence: _Numbers, units: Units, name: str) -> Words:
    off = evidence["other_off_k"]
    way = "more" if off > 0.0 else "less"
    title = f"{name[0].upper()}{name[1:]} temperature sensor is off"
    return Words(
        title=title,
        observed=(
            f"Night after night it reads {units.difference(abs(off))} {way} than the other two, which "
            "agree with each other."
        ),
        expected="After a night fluid, coolant and outside air agree within a few degrees.",
        doubts="Sun on the sensor, a warm hall or an engine heater; they seldom last for nights on end.",
        action=(
            f"Have the {name} sensor, its plug and its wiring checked at the next service. Until "
            "then what the heat balance says of this truck's cooling circuit is in doubt."
        ),
        driver=(STOP_SAFELY,),
        technician=(HOT_FLUID, WIRING, SHOP_ONLY),
        brief=title,
        at_once="Have it checked at the next service",
        since=_since(evidence),
    )


def _since(evidence: _Numbers) -> str:
    minutes = evidence["minutes_since"]
    return (
        ""
        if math.isnan(minutes) or minutes < 1.0
        else f"It had lasted {_minutes(minutes)} when it was told."
    )


def _rivals(evidence: _Numbers) -> str:
    names = (("frozen", "p_frozen"), ("noisy", "p_noisy"), ("biased", "p_biased"))
    told = [f"{name} {evidence[key]:.0%}" for name, key in names if evidence[key] >= 0.05]
    return ", ".join(told) if len(told) > 1 else ""


def _beside(evidence: _Numbers, units: Units) -> str:
    told = [
        f"{name} {units.degrees(evidence[key])}"
        for name, key in (("outside air", "ambient_temp_c"), ("coolant", "coolant_temp_c"))
        if not math.isnan(evidence[key])
    ]
    return f" beside {' and '.join(told)}" if told else ""


def _minutes(minutes: float) -> str:
    return f"{minutes:.0f} min" if minutes < 120.0 else f"{minutes / 60.0:.0f} h"


def _fine(kelvin: float, units: Units) -> str:
    return "less than " + units.difference(1.0) if kelvin < 1.0 else units.difference(kelvin)
