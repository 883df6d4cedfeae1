"""The circuit's filter, its mixing and its weights against filterpy 2.0.0, scipy and closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from filterpy.kalman import IMMEstimator, KalmanFilter
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.linalg import expm
from scipy.stats import t as student

from models import priors
from models.circuit import (
    AIR_C,
    CONVERTER_W,
    EXTRA,
    FLUID,
    FLUID_HEAT,
    HEAT_W,
    LN_CASE,
    LN_CONVERTER,
    LN_COOLER,
    LN_HEAT,
    LN_UNITS,
    LONGEST_STEP_S,
    METAL,
    PAN,
    RPM,
    SINK,
    SINK_RISE_K,
    SITE,
    SPAN_S,
    SPEED_KM_H,
    STATES,
)
from models.converter import CONVERTER_SHARE, MOST_TAKEN
from models.cooler import case_at, conductance_w_k, pumped, ram
from models.fleet import Vehicle
from models.hypotheses import HEALTHY, OPEN
from models.hypothesis_filter import BOUND_SD, FREEDOM, SLOW, predict, update, update_along
from models.interacting import merge, weigh
from tests.models.banks import Floats, covariance, driving, params_of
from tests.printed import agrees

unhurried = settings(max_examples=50, deadline=None)  # the first call compiles

OWN = [LN_HEAT, LN_CASE, LN_COOLER, SINK, LN_CONVERTER, LN_UNITS]
"""The truck's own values, which are learned slowly, and not at all under suspicion."""

OTHERS = [place for place in range(STATES) if place not in OWN]

WELL_ABOVE = np.maximum(1.0, 20.0 * priors.FLOOR_SD)
"""Standard deviations that no reading brings down to the least ones [unit of each place]."""


def theirs(x: Floats, cov: Floats, h: Floats, r: float) -> KalmanFilter:
    reference = KalmanFilter(dim_x=len(x), dim_z=1)
    reference.x, reference.P = x.copy(), cov.copy()
    reference.H, reference.R, reference.Q = h.reshape(1, -1), np.array([[r]]), 0.0
    return reference


def measures(place: int) -> Floats:
    """Give the row of a measurement of one place."""
    h = np.zeros(STATES)
    h[place] = 1.0
    return h


def slopes(random: np.random.Generator) -> Floats:
    """Draw the row of a measurement of many places; of length 1, and no place comes near its least spread."""
    h = random.normal(size=STATES)
    return np.asarray(h / np.linalg.norm(h))


def is_as_filterpy_has_it(
    reference: KalmanFilter, before: Floats, x: Floats, cov: Floats
) -> None:
    inside = (reference.x >= priors.LEAST) & (reference.x <= priors.MOST) | (priors.MOST == 0.0)
    exact = [one for one in OTHERS if inside[one]]
    assert x[exact] == pytest.approx(reference.x[exact], rel=1e-9, abs=1e-11)
    assert cov[OTHERS] == pytest.approx(reference.P[OTHERS], rel=1e-9, abs=1e-11)
    # Of what it says of the truck's own values a share is believed.
    own = np.ix_(OWN, OWN)
    slower = before[own] - SLOW * (before - reference.P)[own]
    assert cov[own] == pytest.approx(slower, rel=1e-9, abs=1e-11)


each_reading = pytest.mark.parametrize(
    ("hypothesis", "place"), [(HEALTHY, FLUID), (HEALTHY, SITE), (OPEN, FLUID)]
)


@each_reading
@unhurried
@given(seed=st.integers(0, 2**32 - 1), z=st.floats(-0.99 * BOUND_SD, 0.99 * BOUND_SD))
def test_a_reading_is_taken_in_as_filterpy_does(
    hypothesis: int, place: int, seed: int, z: float
) -> None:
    random = np.random.default_rng(seed)
    x, cov, r = 0.01 * random.normal(size=STATES), covariance(random, WELL_ABOVE), 1.7
    h = measures(place)
    reading = float(h @ x) + z * math.sqrt(float(h @ cov @ h) + r)
    reference, before = theirs(x, cov, h, r), cov.copy()
    reference.update(reading)
    update(hypothesis, place, reading, r, True, False, x, cov)
    is_as_filterpy_has_it(reference, before, x, cov)


@each_reading
@pytest.mark.parametrize("alone", [False, True])
@unhurried
@given(seed=st.integers(0, 2**32 - 1))
def test_what_is_only_considered_is_schmidts_consider_filter(
    hypothesis: int, place: int, alone: bool, seed: int
) -> None:
    # Written out: the gain of what is only considered is nought; Joseph's form holds for any gain.
    random = np.random.default_rng(seed)
    x, cov, r = 0.01 * random.normal(size=STATES), covariance(random, WELL_ABOVE), 1.7
    h = measures(place)
    gain = cov @ h / (h @ cov @ h + r)
    gain[[one for one in range(STATES) if one != place] if alone else OWN] = 0.0
    left = np.eye(STATES) - np.outer(gain, h)
    wanted_x = x + gain * 0.3
    wanted_cov = left @ cov @ left.T + r * np.outer(gain, gain)
    update(hypothesis, place, float(h @ x) + 0.3, r, False, alone, x, cov)
    assert x == pytest.approx(wanted_x, rel=1e-9, abs=1e-11)
    assert cov == pytest.approx(wanted_cov, rel=1e-9, abs=1e-11)


@pytest.mark.parametrize("hypothesis", [HEALTHY, OPEN])
@unhurried
@given(seed=st.integers(0, 2**32 - 1), z=st.floats(-0.99 * BOUND_SD, 0.99 * BOUND_SD))
def test_a_reading_of_many_places_is_taken_in_as_filterpy_does(
    hypothesis: int, seed: int, z: float
) -> None:
    random = np.random.default_rng(seed)
    x, cov, r = 0.01 * random.normal(size=STATES), covariance(random, WELL_ABOVE), 1.7
    h = slopes(random)
    off_k = z * math.sqrt(float(h @ cov @ h) + r)
    reference, x_before, before = theirs(x, cov, h, r), x.copy(), cov.copy()
    reference.update(float(h @ x) + off_k)
    update_along(hypothesis, h, off_k, r, True, x, cov)
    is_as_filterpy_has_it(reference, before, x, cov)
    slower = x_before[OWN] + SLOW * (reference.x - x_before)[OWN]
    held = np.clip(slower, priors.LEAST[OWN], priors.MOST[OWN])
    assert x[OWN] == pytest.approx(held, rel=1e-9, abs=1e-11)


@pytest.mark.parametrize("hypothesis", [HEALTHY, OPEN])
@unhurried
@given(seed=st.integers(0, 2**32 - 1))
def test_of_many_places_too_what_is_only_considered_is_schmidts_consider_filter(
    hypothesis: int, seed: int
) -> None:
    random = np.random.default_rng(seed)
    x, cov, r = 0.01 * random.normal(size=STATES), covariance(random, WELL_ABOVE), 1.7
    h = slopes(random)
    gain = cov @ h / (h @ cov @ h + r)
    gain[OWN] = 0.0
    left = np.eye(STATES) - np.outer(gain, h)
    wanted_x = x + gain * 0.3
    wanted_cov = left @ cov @ left.T + r * np.outer(gain, gain)
    update_along(hypothesis, h, 0.3, r, False, x, cov)
    assert x == pytest.approx(wanted_x, rel=1e-9, abs=1e-11)
    assert cov == pytest.approx(wanted_cov, rel=1e-9, abs=1e-11)


@unhurried
@given(seed=st.integers(0, 2**32 - 1), z=st.floats(-50.0, 50.0))
def test_a_reading_of_one_place_by_its_slope_is_that_reading(seed: int, z: float) -> None:
    # But for what the filter's own width adds, which is no misfit.
    def after(by_slope: bool) -> tuple[float, Floats, Floats]:
        random = np.random.default_rng(seed)
        x, cov = 0.01 * random.normal(size=STATES), covariance(random, WELL_ABOVE)
        if by_slope:
            width = 0.5 * math.log(cov[SITE, SITE] + 1.7)
            said = update_along(HEALTHY, measures(SITE), z, 1.7, True, x, cov) - width
        else:
            said = update(HEALTHY, SITE, x[SITE] + z, 1.7, True, False, x, cov)
        return said, x, cov

    for ours, wanted in zip(after(True), after(False), strict=True):
        assert ours == pytest.approx(wanted, rel=1e-9, abs=1e-11)


@unhurried
@given(seed=st.integers(0, 2**32 - 1), z=st.floats(-50.0, 50.0))
def test_a_reading_speaks_as_scipys_t_distribution(seed: int, z: float) -> None:
    def said(off_sd: float) -> tuple[float, float]:
        random = np.random.default_rng(seed)
        x, cov = np.zeros(STATES), covariance(random, WELL_ABOVE)
        sd = math.sqrt(cov[FLUID, FLUID] + 0.2)
        by_scipy = student.logpdf(off_sd * sd, FREEDOM, scale=sd)
        return update(HEALTHY, FLUID, off_sd * sd, 0.2, True, False, x, cov), float(by_scipy)

    # What belongs to the distribution alone is the same in every filter, and left out.
    ours, scipys = (np.subtract(*pair) for pair in zip(said(z), said(0.0), strict=True))
    assert ours == pytest.approx(scipys, rel=1e-9, abs=1e-9)


def steady() -> tuple[Floats, Floats]:
    """Run F 0.99, Q 0.04, R 0.25 until nothing changes; gives what it is before a reading."""
    x, cov = np.zeros(STATES), np.zeros((STATES, STATES))
    for _ in range(500):
        update(HEALTHY, FLUID, 0.0, 0.25, True, False, x, cov)
        cov[FLUID, FLUID] = 0.99**2 * cov[FLUID, FLUID] + 0.04
    return x, cov


def test_steady_state_of_one_state_is_the_printed_one() -> None:
    x, cov = steady()
    assert agrees(cov[FLUID, FLUID], "0.1190343580")
    before = cov[FLUID, FLUID]
    update(HEALTHY, FLUID, 0.1, 0.25, True, False, x, cov)
    assert agrees(x[FLUID] / 0.1, "0.3225563025")
    assert agrees(1.0 - cov[FLUID, FLUID] / before, "0.3225563025")


def test_steady_state_of_one_state_is_its_closed_form() -> None:
    b = 0.04 - 0.25 * (1.0 - 0.99**2)
    closed = 0.5 * (b + math.sqrt(b * b + 4 * 0.04 * 0.25))
    assert steady()[1][FLUID, FLUID] == pytest.approx(closed, rel=1e-12)


FULL_FLOW = params_of(Vehicle(name="NF-01", circuit="full_flow")).bank.circuit
BYPASS = params_of(Vehicle(name="NF-01", circuit="thermostatic_bypass")).bank.circuit


def matrix(x: Floats, duty: Floats) -> Floats:
    """Give the balance of ``models.circuit`` with an open cooler as d(T, M, 1)/dt = A (T, M, 1)."""
    params, air_c = FULL_FLOW, duty[AIR_C] + x[SINK]
    case = math.exp(x[LN_CASE]) * case_at(params.case_w_k, duty[SPEED_KM_H])
    flow = pumped(duty[RPM], x[FLUID])
    cooler = math.exp(x[LN_COOLER]) * conductance_w_k(
        params.cooler_w_k, flow, ram(duty[SPEED_KM_H])
    )
    made = math.exp(x[LN_HEAT])
    converter = made * CONVERTER_SHARE * math.exp(x[LN_CONVERTER]) * duty[CONVERTER_W]
    heat = made * (duty[HEAT_W] - duty[CONVERTER_W]) + converter + 1000.0 * x[EXTRA]
    taken = converter * min(MOST_TAKEN, cooler / (params.flow_w_k * flow))
    g, pan, rest = params.fluid_metal_w_k, PAN * case, (1.0 - PAN) * case
    lost = pan * air_c + cooler * (air_c + SINK_RISE_K) - taken
    return np.array(
        [
            np.array([-g - pan - cooler, g, FLUID_HEAT * heat + lost]) / params.fluid_j_k,
            np.array([g, -g - rest, (1.0 - FLUID_HEAT) * heat + rest * air_c])
            / params.metal_j_k,
            [0.0, 0.0, 0.0],
        ]
    )


def by_exponential(x: Floats, duty: Floats) -> Floats:
    start = np.array([x[FLUID], x[METAL], 1.0])
    return np.asarray((expm(matrix(x, duty) * duty[SPAN_S]) @ start)[:2])


def by_integration(x: Floats, duty: Floats) -> Floats:
    a, start = matrix(x, duty), [x[FLUID], x[METAL], 1.0]
    run = solve_ivp(
        lambda _, state: a @ state, (0.0, duty[SPAN_S]), start, rtol=1e-10, atol=1e-10
    )
    return np.asarray(run.y[:2, -1])


BOTH = [FLUID, METAL]
NO_SITE = [place for place in range(STATES) if place != SITE]
HOT = np.zeros(STATES)
HOT[[FLUID, METAL, SITE]] = 108.0, 101.0, 108.0
HOT[[LN_HEAT, LN_CASE, LN_COOLER, SINK, EXTRA]] = 0.1, -0.2, 0.05, 1.5, 0.4
HOT[LN_CONVERTER] = 0.15


def linear(duty: Floats) -> Floats:
    """Give the transition of the whole state by differences of the exact solution."""
    f = np.eye(STATES)
    f[EXTRA, EXTRA] = math.exp(-duty[SPAN_S] / priors.EXTRA_TAU_S)
    for place in range(STATES):
        step = np.zeros(STATES)
        step[place] = 1e-4
        up, down = by_exponential(HOT + step, duty), by_exponential(HOT - step, duty)
        f[BOTH, place] = (up - down) / 2e-4
    return f


def foretold(hypothesis: int, duty: Floats, cov: Floats) -> tuple[Floats, Floats]:
    params, valve = (FULL_FLOW, np.zeros(2)) if hypothesis == HEALTHY else (BYPASS, np.ones(2))
    x, cov = HOT.copy(), cov.copy()
    predict(params, hypothesis, False, duty, 0.7, 0.5, 1.0, x, cov, valve)
    return x, cov


each_open = pytest.mark.parametrize("hypothesis", [HEALTHY, OPEN], ids=["full_flow", "open"])


@each_open
@pytest.mark.parametrize("span_s", [0.1, 1.0, 10.0, 30.0])
def test_a_window_is_foretold_as_the_kalman_filter_of_the_exact_balance(
    hypothesis: int, span_s: float
) -> None:
    duty = driving(span_s=span_s)
    exact = by_exponential(HOT, duty)
    assert by_integration(HOT, duty) == pytest.approx(exact, abs=1e-7)
    # The filter's steps are Euler's: wrong by less than the fastest rate times the step.
    fastest_per_s = np.abs(np.linalg.eigvals(matrix(HOT, duty))).max()
    rel = fastest_per_s * min(span_s, LONGEST_STEP_S)
    cov = covariance(np.random.default_rng(3), np.full(STATES, 1e-3))
    x, after = foretold(hypothesis, duty, cov)
    added = foretold(hypothesis, duty, np.zeros((STATES, STATES)))[1]
    moved = np.abs(exact - HOT[BOTH]).max()
    assert x[BOTH] == pytest.approx(exact, abs=rel * moved)
    known = np.ix_(NO_SITE, NO_SITE)
    wanted = (linear(duty) @ cov @ linear(duty).T)[known]
    spread = np.abs(wanted - cov[known]).max()
    assert (after - added)[known] == pytest.approx(wanted, abs=rel * spread)


@unhurried
@given(seed=st.integers(0, 2**32 - 1), rate=st.floats(1e-4, 0.5))
def test_what_comes_over_is_mixed_and_weighed_as_filterpy_does(seed: int, rate: float) -> None:
    # Two models, the second can follow the first and never goes back.
    random = np.random.default_rng(seed)
    n = 4
    xs = random.normal(size=(2, n))
    covs = np.array([covariance(random, np.ones(n)) for _ in range(2)])
    h, reading = random.normal(size=n), float(random.normal())
    p = random.dirichlet(np.ones(2))
    transition = np.array([[1.0 - rate, rate], [0.0, 1.0]])
    filters = [theirs(x, cov, h, 0.5) for x, cov in zip(xs, covs, strict=True)]
    reference = IMMEstimator(filters, p.copy(), transition)
    reference.predict()  # nothing moves and nothing is added: what is left is the mixing
    begun = rate * p[0]
    merge(begun / (begun + p[1]), xs[0], covs[0], xs[1], covs[1])
    p += np.array([-begun, begun])
    for place in range(2):
        assert xs[place] == pytest.approx(filters[place].x, rel=1e-9, abs=1e-12)
        assert covs[place] == pytest.approx(filters[place].P, rel=1e-9, abs=1e-12)
    reference.update(reading)
    weigh(p, np.array([one.log_likelihood for one in filters]))
    assert p == pytest.approx(reference.mu, rel=1e-9, abs=1e-12)
