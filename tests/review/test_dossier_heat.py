"""Times above a limit: every second above belongs to one, and the cost of a span is Arrhenius' integral."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from models.ageing import AgeingParams
from models.layout import blank, dtype_of
from models.units import GAS_CONSTANT
from review.dossier.excursions import DEADBAND_K, above_s, runs_above
from review.dossier.facts import Readings
from review.dossier.readings import costed

LIMIT_C, ENERGY, REFERENCE_C = 121.0, 77_000.0, 80.0


def law() -> np.ndarray:
    made = blank(dtype_of(AgeingParams))
    made["activation_energy_j_mol"], made["reference_c"] = ENERGY, REFERENCE_C
    return made


def readings(times_s: list[int], fluid_c: list[float], max_gap_s: float = 300.0) -> Readings:
    times = np.array(times_s, np.int64) * 1000
    return costed(times, np.array(fluid_c), law(), max_gap_s, fill_ms=0)


COURSES = st.lists(
    st.tuples(st.integers(1, 500), st.floats(80.0, 160.0, allow_nan=False)),
    min_size=2,
    max_size=60,
)


@settings(max_examples=150, deadline=None)
@given(COURSES)
def test_excursions_part_the_time_above_the_limit(course: list[tuple[int, float]]) -> None:
    steps, fluid = zip(*course, strict=True)
    found = readings(np.cumsum(steps).tolist(), list(fluid))
    runs = runs_above(found, LIMIT_C)
    total = float(above_s(found, LIMIT_C).sum())
    assert sum(run.above_s for run in runs) == pytest.approx(total, abs=1e-6)
    for before, after in pairwise(runs):
        assert before.end <= after.start
        between = slice(before.end, after.start + 1)
        unread = bool((found.span_s[before.end + 1 : after.start + 2] <= 0.0).any())
        cooled = bool((found.fluid_c[between] < LIMIT_C - DEADBAND_K).any())
        assert unread or cooled
    for run in runs:
        assert run.start <= run.peak <= run.end
        assert found.fluid_c[run.peak] >= LIMIT_C
        assert run.above_s <= found.span_s[run.start + 1 : run.end + 1].sum() + 1e-9


@settings(max_examples=40, deadline=None)
@given(COURSES)
def test_time_above_is_that_of_the_path_followed_closely(
    course: list[tuple[int, float]],
) -> None:
    steps, fluid = zip(*course, strict=True)
    found = readings(np.cumsum(steps).tolist(), list(fluid))
    fine = 0.0
    for row in range(1, len(fluid)):
        share = (np.arange(4000) + 0.5) / 4000
        ends = [1.0 / (each + 273.15) for each in fluid[row - 1 : row + 1]]
        celsius = 1.0 / (ends[0] + share * (ends[1] - ends[0])) - 273.15
        fine += found.span_s[row] * float((celsius > LIMIT_C).mean())
    assert above_s(found, LIMIT_C).sum() == pytest.approx(fine, abs=0.3 * len(fluid))


@pytest.mark.parametrize("ends", [(80.0, 155.0), (121.0, 121.0), (140.0, 95.5), (90.0, 90.001)])
def test_a_span_costs_the_integral_of_the_law(ends: tuple[float, float]) -> None:
    """Against SciPy's quadrature of Arrhenius' law along 1/T straight in time."""
    found = readings([0, 250], list(ends))
    inverse = [1.0 / (each + 273.15) for each in ends]

    def rate(at: float) -> float:
        now = inverse[0] + at * (inverse[1] - inverse[0])
        return math.exp(ENERGY / GAS_CONSTANT * (1.0 / (REFERENCE_C + 273.15) - now))

    assert found.cost_s[1] == pytest.approx(250.0 * quad(rate, 0.0, 1.0)[0], rel=1e-9)


def test_longer_gaps_and_the_step_into_a_new_fill_cost_nothing() -> None:
    found = readings([0, 200, 700, 800], [120.0, 130.0, 130.0, 130.0])
    assert found.span_s.tolist() == [0.0, 200.0, 0.0, 100.0]
    times = found.time_ms
    fresh = costed(times, found.fluid_c, law(), 300.0, fill_ms=150_000)
    assert fresh.span_s.tolist() == [0.0, 0.0, 0.0, 100.0]
    assert fresh.cost_s[1] == 0.0
