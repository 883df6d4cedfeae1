"""A laboratory sample weighed with the chart: the recipe, worked by hand."""

from __future__ import annotations

import math

import pytest

from models.lab import combine, lab_update
from models.layout import record
from models.readings import Depletion, Normal, Reading, antioxidant_reading
from tests.models.entries import count, entry, parts, worn
from tests.models.fills import fill_params
from tests.printed import agrees

PRIOR_PER_H = math.log(4.0) / 2500.0
SAMPLED_H = 900.0
HOUR_S = 3600.0


def reading(left: float, hours: float = SAMPLED_H) -> Reading:
    told = Depletion(phi=0.0, worked=0.0, since=hours / 2500.0, end=0.25)
    return antioxidant_reading(left, 0.06, told)


def test_the_sample_on_its_own() -> None:
    # Worked: k = -ln f / D and sd(ln k) = s / (f |ln f|) for f = .55 +- .06 at 900 equivalent hours.
    alone = reading(0.55).alone()
    assert alone is not None
    assert agrees(PRIOR_PER_H * math.exp(alone.mean) * 1e4, "6.643")
    assert agrees(alone.sd, ".182")


def test_weighed_with_the_chart() -> None:
    # Worked: prior ln 4 in 2500 h with sd .5; weights by precision.
    alone = reading(0.55).alone()
    assert alone is not None
    posterior = combine(Normal(0.0, 0.5), [alone])
    pace_per_h = PRIOR_PER_H * math.exp(posterior.mean)
    assert agrees(pace_per_h * 1e4, "6.503")
    assert agrees(posterior.sd, ".171")
    life_h = math.log(4.0) / pace_per_h
    assert agrees(life_h, "2132")
    assert agrees(life_h * math.exp(-1.96 * posterior.sd), "1523")
    assert agrees(life_h * math.exp(1.96 * posterior.sd), "2983")
    assert agrees(math.log(0.55 / 0.25) / pace_per_h, "1212")


def test_nearly_fresh_fluid_tells_little() -> None:
    # Worked: f = .95 with the same error has sd(ln k) 1.23.
    alone = reading(0.95).alone()
    assert alone is not None
    assert agrees(alone.sd, "1.23")


def test_the_account_comes_to_the_same() -> None:
    # The account weighs at the answer instead of at the measured value: the same pace to four
    # digits here, its spread .173 instead of .171.
    params = fill_params(
        reference_life_s=2500.0 * HOUR_S, ln_life_sd=0.5, antioxidant_at_end=0.25
    )
    state = worn(params, SAMPLED_H / 2500.0)
    own, account = parts(params, state)
    sample = entry("sample", antioxidant=0.55, antioxidant_sd=0.06)
    update = lab_update(own, account, record(sample))
    assert 2500.0 / update.factor == pytest.approx(2132.0, rel=5e-4)
    assert update.posterior.sd == pytest.approx(0.171, abs=0.002)
    count(params, state, sample)
    assert account.filling.scale_ln == update.posterior.mean
    assert account.life_used == pytest.approx(SAMPLED_H / 2132.0, rel=5e-4)
    assert account.life_used == pytest.approx(update.life_after.best, rel=1e-12)
