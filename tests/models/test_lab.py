"""Laboratory samples: what they change, how sure that is, and what is said of it."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from models.lab import LabUpdate, lab_update, weigh
from models.lab_words import said, warnings
from models.layout import record
from models.mixture import antioxidant_left, mix, oxidation
from models.readings import (
    Depletion,
    Normal,
    Reading,
    antioxidant_reading,
    depletion,
    life_reading,
)
from tests.models.entries import count, entry, parts, worn
from tests.models.fills import fill_params

PARAMS = fill_params(ln_life_sd=0.5, antioxidant_at_end=0.25, oxidation_factor=4.0)
PRIOR_SD = 0.5
END = 0.25
FACTOR = 4.0


def update(life: float, **measured: float) -> LabUpdate:
    own, account = parts(PARAMS, worn(PARAMS, life))
    return lab_update(own, account, record(entry("sample", epoch=0, **measured)))


def test_what_fits_changes_nothing_but_how_sure_it_is() -> None:
    fits = update(
        0.5,
        antioxidant=END**0.5,
        acid_rise_mg_g=1.5,
        oxidation=0.5,
        viscosity_change=0.125,
    )
    assert fits.factor == pytest.approx(1.0, abs=1e-6)
    assert [one.name for one in fits.observations] == [
        "antioxidant",
        "acid number",
        "infrared oxidation",
        "viscosity",
    ]
    for one in fits.observations:
        assert one.measured == pytest.approx(one.expected)
    assert fits.posterior.sd < PRIOR_SD / 2.0
    assert fits.life_after.high - fits.life_after.low < 0.5 * (
        fits.life_before.high - fits.life_before.low
    )
    assert not fits.doubtful


def test_each_item_pulls_its_way() -> None:
    for more in (
        {"antioxidant": 0.40},
        {"acid_rise_mg_g": 2.4},
        {"acid_rise_mg_g": 0.8, "acid_limit_mg_g": 1.0},
        {"oxidation": 0.8},
        {"viscosity_change": 0.24},
    ):
        assert update(0.5, **more).factor > 1.02
    for less in ({"antioxidant": 0.62}, {"acid_rise_mg_g": 0.6}, {"oxidation": 0.2}):
        assert update(0.5, **less).factor < 0.98


def test_thinned_viscosity_says_nothing_of_heat() -> None:
    assert update(0.5, viscosity_change=-0.30).observations == ()


def test_a_rougher_measurement_weighs_less() -> None:
    fine = update(0.5, antioxidant=0.40, antioxidant_sd=0.03)
    rough = update(0.5, antioxidant=0.40, antioxidant_sd=0.12)
    assert fine.factor > rough.factor > 1.0
    assert fine.posterior.sd < rough.posterior.sd
    assert update(0.5, oxidation=0.8, lab_sd=0.1).factor > update(0.5, oxidation=0.8).factor


def test_nearly_fresh_fluid_changes_little_and_says_so() -> None:
    fresh = update(0.04, antioxidant=0.95)
    assert 0.9 < fresh.factor < 1.1
    assert fresh.posterior.sd > 0.9 * PRIOR_SD
    assert "tells little yet" in said(fresh)[0]
    assert "tells little yet" not in said(update(0.5, antioxidant=0.45))[0]


def test_nothing_to_weigh_with() -> None:
    for nothing in (update(0.0, antioxidant=0.8), update(0.5)):
        assert nothing.observations == ()
        assert nothing.posterior == nothing.prior
        assert len(said(nothing)) == 1
    state = worn(PARAMS, 0.5)
    fill = record(state).truck.account.filling
    before = fill.tobytes()
    count(PARAMS, state, entry("sample"))
    assert fill.tobytes() == before


def test_more_than_new_is_read_as_good_news() -> None:
    better = update(0.5, antioxidant=1.02)
    assert better.factor < 0.5
    assert better.observations[0].alone is None
    assert "slower" in said(better)[0]


def test_a_sample_of_another_truck_is_doubted() -> None:
    wrong = update(0.05, antioxidant=0.10)
    assert wrong.doubtful
    assert "do not fit" in said(wrong)[-1]


def test_a_sample_corrects_life_brought_along_too() -> None:
    own, account = parts(PARAMS, worn(PARAMS, 0.5, carried=0.3))
    sample = lab_update(own, account, record(entry("sample", antioxidant=0.35)))
    state = worn(PARAMS, 0.5, carried=0.3)
    own, account = parts(PARAMS, state)
    count(PARAMS, state, entry("sample", antioxidant=0.35))
    assert account.life_used == pytest.approx(0.5 * sample.factor, rel=1e-12)
    assert antioxidant_left(own, account) == pytest.approx(END ** (0.5 * sample.factor))
    assert account.filling.lab_samples == 1


@settings(max_examples=60, deadline=None)
@given(st.floats(0.01, 1.5), st.floats(0.3, 1.0), st.floats(-1.0, 1.0))
def test_after_a_mixing_the_account_is_as_if_the_pace_had_been_known(
    life: float, phi: float, scale_ln: float
) -> None:
    """One fluid aged at the chart's pace, mixed and corrected; one aged at the true pace and mixed."""
    own, account = parts(PARAMS, worn(PARAMS, life))
    mix(own, account, phi)
    told_state = worn(PARAMS, life)
    own, told = parts(PARAMS, told_state)
    told.filling.scale_ln = scale_ln
    mix(own, told, phi)
    corrected = depletion(own, account)
    pace = math.exp(scale_ln)
    if life <= 1.0:
        assert corrected.left(pace) == pytest.approx(antioxidant_left(own, told), rel=1e-6)
        assert corrected.oxidised(pace) == pytest.approx(oxidation(own, told), abs=1e-6)
    assert corrected.left(1.0) == pytest.approx(antioxidant_left(own, account), rel=1e-9)


readings = st.lists(
    st.one_of(
        st.tuples(st.just("antioxidant"), st.floats(0.0, 1.2), st.floats(0.02, 0.2)),
        st.tuples(st.just("acid number"), st.floats(-0.2, 3.0), st.floats(0.05, 0.5)),
    ),
    min_size=1,
    max_size=4,
)


def reading(name: str, value: float, sd: float, raw: float) -> Reading:
    if name == "antioxidant":
        told = Depletion(phi=0.0, worked=0.0, since=raw, end=END)
        return antioxidant_reading(value, sd, told)
    return life_reading(name, value, sd, raw, FACTOR)


@settings(max_examples=200, deadline=None)
@given(readings, st.floats(1e-6, 20.0), st.floats(0.05, 2.0))
@example([("acid number", 500.0, 0.02), ("antioxidant", 0.5, 0.06)], 0.3, 0.5)
@example([("antioxidant", 5e-324, 0.125)], 1.5, 1.0)
def test_any_sample_tightens_and_stays_finite(
    items: list[tuple[str, float, float]], raw: float, prior_sd: float
) -> None:
    listed = [reading(name, value, sd, raw) for name, value, sd in items]
    told = weigh(Normal(0.3, prior_sd), listed, raw, FACTOR)
    assert math.isfinite(told.posterior.mean)
    assert 0.0 < told.posterior.sd <= prior_sd
    band = told.life_after
    assert 0.0 <= band.low <= band.best <= band.high
    assert all(said(told))


def test_the_slope_is_the_slope() -> None:
    mixed = Depletion(phi=0.6, worked=0.8, since=0.3, end=END)
    for one in (
        antioxidant_reading(0.5, 0.06, mixed),
        life_reading("acid number", 0.5, 0.25, 0.4, FACTOR),
        life_reading("acid number", 0.5, 0.25, 1.4, FACTOR),
    ):
        for shift in (-0.7, 0.0, 0.3):
            worked = (one.expect(shift + 1e-6) - one.expect(shift - 1e-6)) / 2e-6
            assert one.slope(shift) == pytest.approx(float(worked), rel=1e-6)


class Simulated:
    """Fluids whose true pace is drawn from the prior, sampled with the stated errors."""

    def __init__(self, seed: int, trucks: int) -> None:
        self.rng = np.random.default_rng(seed)
        self.true_ln = self.rng.normal(0.0, PRIOR_SD, trucks)
        self.chart_life = self.rng.uniform(0.05, 1.0, trucks)

    def sampled(self, row: int, times: int) -> Normal:
        """What is known of the pace of one truck after samples spread over its life."""
        known = Normal(0.0, PRIOR_SD)
        for number in range(1, times + 1):
            life = self.chart_life[row] * number / times
            true = math.exp(self.true_ln[row]) * life
            raw = math.exp(known.mean) * life
            left = END**true + 0.06 * self.rng.normal()
            acid = (true if true <= 1.0 else 1.0 + FACTOR * (true - 1.0)) + (
                0.25 * self.rng.normal()
            )
            items = [
                reading("antioxidant", left, 0.06, raw),
                reading("acid number", acid, 0.25, raw),
            ]
            known = weigh(known, items, raw, FACTOR).posterior
        return known


@pytest.mark.parametrize("times", [1, 3])
def test_the_band_holds_the_truth_as_often_as_it_says(times: int) -> None:
    trucks = 2000
    simulated = Simulated(7, trucks)
    inside, widths = 0, 0.0
    for row in range(trucks):
        known = simulated.sampled(row, times)
        low, high = known.band()
        inside += low <= simulated.true_ln[row] <= high
        widths += high - low
    before = 2.0 * 1.2816 * PRIOR_SD
    assert 0.75 <= inside / trucks <= 0.87
    assert widths / trucks < 0.5 * before


def limits(**measured: Any) -> str:
    extra = {name: measured.pop(name) for name in ("water_share", "glycol") if name in measured}
    return " ".join(warnings(record(entry("sample", **measured)), **extra))


def test_limits_that_condemn() -> None:
    # Acid number +3.0 mg KOH/g, viscosity 25 % either way, water 0.2 %, glycol at all: fluid-analysis
    # table of a public operator's manual of a medium-duty automatic transmission.
    assert limits() == ""
    assert limits(acid_rise_mg_g=2.9, viscosity_change=0.24, water_share=0.002) == ""
    assert "3.0" in limits(acid_rise_mg_g=3.0)
    assert "1.0" in limits(acid_rise_mg_g=1.1, acid_limit_mg_g=1.0)
    assert "25%" in limits(viscosity_change=0.25)
    fallen = limits(viscosity_change=-0.25)
    assert "25%" in fallen
    assert "shear" in fallen
    assert "water" in limits(water_share=0.0021)
    assert "Glycol" in limits(glycol=True)


def test_the_account_holds_the_truth_through_pan_drops() -> None:
    # Each truck: half its stretch, a sample, a pan drop, the other half, a sample; the truth is mixed too.
    rng = np.random.default_rng(5)
    trucks, inside, narrower = 500, 0, 0.0
    for _ in range(trucks):
        true_ln, stretch_life = rng.normal(0.0, PRIOR_SD), rng.uniform(0.1, 0.6)
        state = worn(PARAMS, 0.0)
        own, account = parts(PARAMS, state)
        left = 1.0
        for phi in (0.625, 1.0):
            aged = math.exp(true_ln) * stretch_life
            left *= END**aged
            account.heat.equivalent_s += stretch_life * own.reference_life_s
            found = left + 0.06 * rng.normal()
            sample = entry("sample", antioxidant=found)
            count(PARAMS, state, sample, entry("top_up", volume_l=(1.0 - phi) * 12.0))
            left = phi * left + 1.0 - phi
        known = Normal(account.filling.scale_ln, math.sqrt(account.filling.scale_var))
        low, high = known.band()
        inside += low <= true_ln <= high
        narrower += known.sd / PRIOR_SD
    assert 0.75 <= inside / trucks <= 0.87
    assert narrower / trucks < 0.5


def test_a_pace_is_said_to_the_digits_that_it_has() -> None:
    # Prior sd 0.5: exp(+-1.2816 * 0.5) = 0.53 and 1.9.
    told = " ".join(said(update(0.5, antioxidant=END**0.5)))
    assert "before the sample 1.0 times (0.53 to 1.9)" in told
