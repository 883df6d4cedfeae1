r"""What a laboratory sample says of a fluid, weighed with what the account says: a Bayesian update.

What is learned is one number: the logarithm of how much faster than its chart this fluid ages (0: just as
its chart says). Formulation moves a fluid's life by hundreds, its activation energy hardly, so the scale
is what a sample should correct. Before the first sample it is normal about 0 with the fluid's own
spread. Each item of a sample is a measured value :math:`z` with a standard deviation :math:`s`, for which
the account, its ageing times :math:`e^x`, expects :math:`h(x)`:

- antioxidant left: as ``models.readings.Depletion`` has it, :math:`h = A^{\exp x}` before any mixing,
- acid number, infrared oxidation, risen viscosity, each as a share of its limit: the life used.

The answer is the mode of the posterior, the items weighed there by their precision
:math:`(h'/s)^2`. On its own an item says :math:`x = h^{-1}(z)` with :math:`s/|h'|`: for the antioxidant
:math:`\ln(\ln z/\ln A)` and :math:`s/(z|\ln z|)`, the usual recipe. Weighing those instead reads samples of
nearly fresh fluid as if they said more than they do: after three such samples in a row the 80 % band
held the truth in 50 to 70 % of simulated trucks.

Items are taken for independent; a sample that was mistaken for another's makes all of them wrong.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.account import Account, AccountParams, raw_life, stretch
from models.fill import scale_sd
from models.readings import (
    BAND_SDS,
    Depletion,
    Normal,
    Reading,
    antioxidant_reading,
    depletion,
    life_reading,
)

ANTIOXIDANT_SD = 0.06
"""Error of a share of antioxidant left [-]. Own choice; doubling it lets a sample weigh a quarter."""

LIFE_SD = 0.25
"""Error of a life used that is read from an acid number or from infrared oxidation [-]. Own choice:
limits are set by each laboratory on its own samples (STLE, TLT May 2012), not by a standard."""

VISCOSITY_SD = 0.5
"""The same read from viscosity [-]. Own choice: shear lowers it while oxidation raises it, so that only
a rise says something, and little."""

ACID_LIMIT_MG_G = 3.0
"""Rise of the acid number over new fluid's that condemns [mg KOH/g], ASTM D664: the fluid-analysis table
of a public operator's manual of a medium-duty automatic transmission."""

VISCOSITY_LIMIT = 0.25
"""Change of viscosity, up or down, that condemns, as a share of new fluid's [-]: the same table."""

WATER_LIMIT = 0.002
"""Share of water that condemns [-]: the same table. Glycol condemns at any amount."""

_LEAST_LIFE = 1e-9
_DOUBTFUL_SDS = 2.5


@dataclass(frozen=True, slots=True)
class Observation:
    """What one item said: measured and expected [-]; of ln scale, on its own and as weighed."""

    name: str
    measured: float
    expected: float
    alone: Normal | None
    weighed: Normal


@dataclass(frozen=True, slots=True)
class Band:
    """A life used [-] with its 80 % band, as far as the fluid's scale is in doubt."""

    low: float
    best: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LabUpdate:
    """A sample weighed with the account; ``prior``, ``posterior`` of ln scale.

    ``doubtful``: sample and account do not fit each other. Without observations nothing changes.
    """

    prior: Normal
    observations: tuple[Observation, ...]
    posterior: Normal
    life_before: Band
    life_after: Band
    doubtful: bool

    @property
    def factor(self) -> float:
        """By how much the fluid's raw life is corrected [-]."""
        return math.exp(self.posterior.mean - self.prior.mean)


def combine(prior: Normal, observations: Sequence[Normal]) -> Normal:
    """Weigh normal distributions of one number by their precision."""
    weights = [one.sd**-2 for one in (prior, *observations)]
    total = sum(weights)
    means = [one.mean for one in (prior, *observations)]
    mean = sum(weight * mean for weight, mean in zip(weights, means, strict=True)) / total
    return Normal(mean, total**-0.5)


def lab_update(params: AccountParams, account: Account, entry: Any) -> LabUpdate:
    """Weigh a sample with the account as it stands when the sample was taken.

    Parameters
    ----------
    params, account
        Records of the truck; not changed.
    entry
        Record ``models.service.ENTRY``; what was not measured is NaN.

    Returns
    -------
    LabUpdate
        For ``models.service.apply``, and to be shown and drawn.
    """
    raw = float(raw_life(params, account))
    fill = account.filling
    prior = Normal(float(fill.scale_ln), float(scale_sd(fill, params.ln_life_sd)))
    factor = float(params.oxidation_factor)
    told = depletion(params, account)
    readings: tuple[Reading, ...] = ()
    if raw > _LEAST_LIFE:
        readings = (*_antioxidant(entry, told), *_lives(entry, raw, factor))
    return weigh(prior, readings, raw, factor)


def weigh(
    prior: Normal, readings: Sequence[Reading], raw: float, oxidation_factor: float
) -> LabUpdate:
    """Weigh the items of a sample with the prior of ln scale, for a fluid of a raw life [-]."""
    shift = _mode(prior.sd, readings) if readings else 0.0
    weighed = [reading.at(shift) for reading in readings]
    moved = [Normal(prior.mean + one.mean, one.sd) for one in weighed]
    posterior = combine(prior, moved)
    off = [abs(one.value - float(one.expect(shift))) / one.sd for one in readings]
    return LabUpdate(
        prior=prior,
        observations=tuple(
            _observation(prior.mean, reading, told)
            for reading, told in zip(readings, moved, strict=True)
        ),
        posterior=posterior,
        life_before=_band(raw, prior.sd, oxidation_factor),
        life_after=_band(
            raw * math.exp(posterior.mean - prior.mean), posterior.sd, oxidation_factor
        ),
        doubtful=max([abs(shift) / prior.sd, *off], default=0.0) > _DOUBTFUL_SDS,
    )


def _antioxidant(entry: Any, told: Depletion) -> list[Reading]:
    if math.isnan(entry.antioxidant):
        return []
    sd = _or(entry.antioxidant_sd, ANTIOXIDANT_SD)
    return [antioxidant_reading(float(entry.antioxidant), sd, told)]


def _lives(entry: Any, raw: float, oxidation_factor: float) -> list[Reading]:
    sd = _or(entry.lab_sd, LIFE_SD)
    acid = entry.acid_rise_mg_g / _or(entry.acid_limit_mg_g, ACID_LIMIT_MG_G)
    viscosity = entry.viscosity_change / VISCOSITY_LIMIT
    items = [("acid number", acid, sd), ("infrared oxidation", entry.oxidation, sd)]
    if viscosity > 0.0:
        items.append(("viscosity", viscosity, max(sd, VISCOSITY_SD)))
    return [
        life_reading(name, float(life), spread, raw, oxidation_factor)
        for name, life, spread in items
        if not math.isnan(life)
    ]


def _or(value: float, otherwise: float) -> float:
    return otherwise if math.isnan(value) else float(value)


def _mode(prior_sd: float, readings: Sequence[Reading]) -> float:
    """Give the likeliest shift, by grids that close in: what an item says need not be convex."""
    centre, half = 0.0, 6.0 * prior_sd
    for _ in range(5):
        shifts = np.linspace(centre - half, centre + half, 241)
        cost = _cost(prior_sd, readings, shifts)
        centre, half = float(shifts[np.argmin(cost)]), half / 60.0
    return centre


def _cost(
    prior_sd: float, readings: Sequence[Reading], shifts: NDArray[np.float64]
) -> NDArray[np.float64]:
    cost = (shifts / prior_sd) ** 2
    for one in readings:
        cost = cost + ((one.value - one.expect(shifts)) / one.sd) ** 2
    return cost


def _observation(prior_mean: float, reading: Reading, weighed: Normal) -> Observation:
    alone = reading.alone()
    if alone is not None:
        alone = Normal(prior_mean + alone.mean, alone.sd)
    expected = float(reading.expect(0.0))
    return Observation(reading.name, reading.value, expected, alone, weighed)


def _band(raw: float, sd: float, oxidation_factor: float) -> Band:
    low, best, high = (
        float(stretch(raw * math.exp(sds * sd), oxidation_factor))
        for sds in (-BAND_SDS, 0.0, BAND_SDS)
    )
    return Band(low, best, high)
