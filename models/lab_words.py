"""What a laboratory sample says, in words: item by item, then what became of the account."""

from __future__ import annotations

import math
from typing import Any

from models.lab import (
    ACID_LIMIT_MG_G,
    VISCOSITY_LIMIT,
    WATER_LIMIT,
    Band,
    LabUpdate,
    Observation,
)
from models.readings import Normal

_BANDS = (
    "In brackets: the 80 % band, as far as the fluid's own pace is in doubt; the sensor's error and "
    "unseen time come on top."
)
_NOTHING = (
    "No heat has been counted on this fill yet, so that the sample has nothing to be weighed "
    "with. If the laboratory gives a life used, enter it with the fill."
)
_DOUBTFUL = (
    "Sample and account do not fit each other. Before relying on either, check that it was this "
    "truck's fluid, that the date is right, that no fluid went in unrecorded, and the sensor."
)
_SHEARED = (
    "The viscosity has fallen: that is shear, or fuel or another fluid in it. It says nothing of "
    "heat and is left out of the account."
)


def said(update: LabUpdate) -> tuple[str, ...]:
    """Say what a sample told: a sentence an item, then the whole."""
    if not update.observations:
        return (_NOTHING,)
    lines = [_item(one, update.prior) for one in update.observations]
    lines.append(
        f"Together: this fluid ages {_pace(update.posterior)} as fast as its chart says; before "
        f"the sample {_pace(update.prior)}."
    )
    lines.append(
        f"Life used {_life(update.life_after)}; before the sample {_life(update.life_before)}."
    )
    lines.append(_BANDS)
    if update.doubtful:
        lines.append(_DOUBTFUL)
    return tuple(lines)


def warnings(
    entry: Any, *, water_share: float = math.nan, glycol: bool = False
) -> tuple[str, ...]:
    """Say what in a sample asks for action whatever the account says.

    Parameters
    ----------
    entry
        Record ``models.service.ENTRY``.
    water_share
        Share of water in the fluid [-], NaN if it was not measured.
    glycol
        Whether any glycol was found.
    """
    found = []
    if glycol:
        found.append(
            "Glycol in the fluid: coolant gets in, most likely through a leaking cooler. It "
            "harms clutches at any amount. Take the truck off the road and have cooler and "
            "gearbox examined; changing the fluid alone mends nothing."
        )
    if water_share > WATER_LIMIT:
        found.append(
            f"{water_share:.2%} of water, above {WATER_LIMIT:.1%}: find where it gets in (cooler, "
            "breather, dipstick tube), then change the fluid."
        )
    limit = ACID_LIMIT_MG_G if math.isnan(entry.acid_limit_mg_g) else entry.acid_limit_mg_g
    if entry.acid_rise_mg_g >= limit:
        found.append(
            f"The acid number has risen by {entry.acid_rise_mg_g:.1f} mg KOH/g, the limit is "
            f"{limit:.1f}: change the fluid."
        )
    if abs(entry.viscosity_change) >= VISCOSITY_LIMIT:
        found.append(
            f"The viscosity has changed by {entry.viscosity_change:+.0%}, the limit is "
            f"{VISCOSITY_LIMIT:.0%} either way: change the fluid."
        )
    if entry.viscosity_change < 0.0:
        found.append(_SHEARED)
    return tuple(found)


def _item(one: Observation, prior: Normal) -> str:
    what = "left" if one.name == "antioxidant" else "of the way to its limit"
    measured = f"{one.name.capitalize()} {one.measured:.0%} {what}, expected {one.expected:.0%}"
    if one.weighed.sd > prior.sd:
        return f"{measured}: tells little yet, its error is as large as what is to be seen."
    if one.alone is None or one.alone.sd > prior.sd:
        way = "slower" if one.weighed.mean < prior.mean else "faster"
        return (
            f"{measured}: the fluid ages {way} than it was thought; how much, this cannot say."
        )
    return f"{measured}: by itself, {_pace(one.alone)} as fast as the chart."


def _pace(scale: Normal) -> str:
    low, high = scale.band()
    return f"{_multiple(scale.mean)} times ({_multiple(low)} to {_multiple(high)})"


def _multiple(ln: float) -> str:
    """Write a multiple to two digits, given its logarithm [-]."""
    value = math.exp(ln)
    return f"{value:.2f}" if value < 0.995 else f"{value:.1f}"


def _life(life: Band) -> str:
    return f"{life.best:.0%} ({life.low:.0%} to {life.high:.0%})"
