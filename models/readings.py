r"""One item of a laboratory sample: what was measured, and what the account would lead to expect.

What is asked of every item is the shift :math:`x` of the logarithm of the fluid's pace: were the fluid to
age :math:`e^x` times as fast as the account has it, :math:`h(x)` would be measured.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from models.account import Account, AccountParams, raw_life
from models.mixture import since_mix

BAND_SDS = 1.2815515655446004
"""Half-width of an 80 % band of a normal distribution [standard deviations]."""

_FARTHEST = 12.0
"""A shift beyond which nobody looks [-]."""

_FLATTEST = 1e-9
"""A slope that tells nothing [-]."""


@dataclass(frozen=True, slots=True)
class Normal:
    """A normal distribution."""

    mean: float
    sd: float

    def band(self) -> tuple[float, float]:
        """Give the ends of its 80 % band."""
        return self.mean - BAND_SDS * self.sd, self.mean + BAND_SDS * self.sd


@dataclass(frozen=True, slots=True)
class Reading:
    """A measured value with its standard deviation [-].

    ``expect`` (rising or falling throughout) and ``slope`` are :math:`h` and :math:`h'`; ``expect`` takes
    arrays too.
    """

    name: str
    value: float
    sd: float
    expect: Callable[[Any], Any]
    slope: Callable[[float], float]

    def alone(self) -> Normal | None:
        """Give what the item says of the shift on its own; None where no shift explains it."""
        shift = self._inverse()
        if shift is None or abs(self.slope(shift)) < _FLATTEST:
            return None
        return Normal(shift, self.sd / abs(self.slope(shift)))

    def at(self, shift: float) -> Normal:
        """Give the same read along the tangent at a shift."""
        slope = self.slope(shift)
        if abs(slope) < _FLATTEST:  # all gone long ago: no value tells one shift from the next
            slope = math.copysign(_FLATTEST, slope)
        off = self.value - float(self.expect(shift))
        return Normal(shift + off / slope, self.sd / abs(slope))

    def _inverse(self) -> float | None:
        low, high = -_FARTHEST, _FARTHEST
        rises = self.slope(0.0) > 0.0
        if not min(self.expect(low), self.expect(high)) < self.value:
            return None
        if not self.value < max(self.expect(low), self.expect(high)):
            return None
        for _ in range(60):
            middle = 0.5 * (low + high)
            if (self.expect(middle) < self.value) == rises:
                low = middle
            else:
                high = middle
        return 0.5 * (low + high)


@dataclass(frozen=True, slots=True, kw_only=True)
class Depletion:
    r"""How a fluid's antioxidant came down, told as one mixing.

    After a raw life ``worked`` a share ``phi`` of it stayed at a mixing, and it worked for ``since`` more:
    :math:`A = [1-\varphi(1-a^w)]\,a^d` with :math:`a` = ``end``. Of several mixings this keeps life and
    antioxidant as they were just after the last.
    """

    phi: float
    worked: float
    since: float
    end: float

    def mixed(self, pace: Any) -> Any:
        """Share just after the mixing [-], had the fluid aged ``pace`` times as fast.

        Where a fluid of another kind stayed, ``phi`` may be above 1: no share is below nothing for that.
        """
        return np.maximum(0.0, 1.0 - self.phi * (1.0 - self.end ** (self.worked * pace)))

    def left(self, pace: Any) -> Any:
        """Share that is left now [-], had the fluid aged ``pace`` times as fast."""
        return self.mixed(pace) * self.end ** (self.since * pace)

    def oxidised(self, pace: float) -> float:
        """Raw life spent without antioxidant before the mixing, thinned by it, at a pace [-]."""
        return self.phi * max(0.0, self.worked * pace - 1.0)


def depletion(params: AccountParams, account: Account) -> Depletion:
    """Tell from an account how its fluid's antioxidant came down."""
    end = float(params.antioxidant_at_end)
    since = float(since_mix(params, account))
    mixed = float(account.filling.antioxidant_at_mix)
    before = float(raw_life(params, account)) - since
    if mixed == 1.0 or before <= 0.0:
        return Depletion(phi=0.0, worked=0.0, since=since, end=end)
    worked = _worked((1.0 - mixed) / before, end)
    return Depletion(
        phi=(1.0 - mixed) / (1.0 - end**worked), worked=worked, since=since, end=end
    )


def _worked(spent_by_life: float, end: float) -> float:
    """Raw life after which ``(1 - end**w) / w`` has fallen to a value [-]; it falls all the way."""
    low, high = 1e-6, 1e3
    for _ in range(80):
        middle = math.sqrt(low * high)
        if (1.0 - end**middle) / middle > spent_by_life:
            low = middle
        else:
            high = middle
    return high


def antioxidant_reading(left: float, sd: float, told: Depletion) -> Reading:
    """Read a share of antioxidant left [-]."""
    log = math.log(told.end)

    def expect(shift: Any) -> Any:
        return told.left(np.exp(shift))

    def slope(shift: float) -> float:
        pace = math.exp(shift)
        if told.mixed(pace) == 0.0:
            return 0.0
        worn = told.end ** (told.since * pace)
        mixing = told.phi * told.worked * told.end ** (told.worked * pace)
        return float(pace * log * worn * (mixing + told.mixed(pace) * told.since))

    return Reading("antioxidant", left, sd, expect, slope)


def life_reading(
    name: str, life: float, sd: float, raw: float, oxidation_factor: float
) -> Reading:
    """Read a life used [-], for a fluid of a raw life by the account."""

    def expect(shift: Any) -> Any:
        grown = raw * np.exp(shift)
        return np.where(grown <= 1.0, grown, 1.0 + oxidation_factor * (grown - 1.0))

    def slope(shift: float) -> float:
        grown = raw * math.exp(shift)
        return grown if grown <= 1.0 else oxidation_factor * grown

    return Reading(name, life, sd, expect, slope)
