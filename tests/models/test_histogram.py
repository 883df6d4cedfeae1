"""Time at temperature: what goes into which bin, and costing a life again from it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.ageing import AgeingParams
from models.fleet import CHART, CHART_ROWS, TRADE_CHART, Vehicle
from models.heat_sums import recost_heat_s
from models.histogram import (
    BINS,
    FIRST_C,
    WIDTH_K,
    recost_s,
    row_of,
    spread,
    tally,
    time_above_h,
)
from models.layout import blank, dtype_of, record
from models.mixture import mix
from models.parameters import parameters
from models.units import ZERO_CELSIUS_K
from tests.models.drives import (
    TRUCKS,
    Floats,
    Law,
    arrhenius,
    by_chart,
    drive,
    integral_s,
    samples_of,
    thinned,
)
from tests.models.entries import parts
from tests.models.fills import fill_params, run

EDGES_C = FIRST_C + WIDTH_K * np.arange(BINS + 1)
LAST_C = float(EDGES_C[-1])

REFERENCE_C = CHART.reference_temp_c
OTHER_LAWS: dict[str, tuple[Law, dict[str, float]]] = {
    f"{energy} kJ/mol": (
        arrhenius(1000.0 * energy, 80.0),
        {"activation_energy_j_mol": 1000.0 * energy, "reference_c": 80.0},
    )
    for energy in (50, 66, 90, 104, 125)
}


def ageing(**numbers: float) -> Any:
    made = record(blank(dtype_of(AgeingParams)))
    for name, value in numbers.items():
        setattr(made, name, value)
    return made


def rows_ageing() -> Any:
    vehicle = Vehicle(name="NF-01")
    made = parameters(vehicle, CHART_ROWS, max_gap_s=300.0, silent_after_s=900.0)
    return record(made).account.ageing


def told(seconds: Floats, celsius: Floats) -> tuple[Any, Any]:
    """Give the parameters and the account of a drive."""
    params = fill_params()
    return parts(params, run(params, samples_of(seconds, celsius)))


temperatures = st.floats(-60.0, 260.0)
off_edges = st.integers(-60_000, 260_000).map(lambda number: number / 1000.0 + 0.0005)


@pytest.mark.parametrize(
    ("celsius", "row"),
    [(-300.0, 0), (-40.0, 0), (-38.1, 0), (-38.0, 1), (0.0, 20), (199.9, 119), (500.0, 119)],
)
def test_the_bin_of_a_temperature(celsius: float, row: int) -> None:
    assert row_of(celsius) == row


@settings(deadline=None)
@given(temperatures, temperatures, st.floats(0.001, 3600.0))
def test_a_span_is_spread_as_its_inverse_temperature_runs(
    first_c: float, last_c: float, span_s: float
) -> None:
    bins, back = np.zeros(BINS), np.zeros(BINS)
    spread(bins, first_c, last_c, span_s)
    spread(back, last_c, first_c, span_s)
    assert bins.tolist() == back.tolist()
    assert bins.sum() == pytest.approx(span_s, rel=1e-12)
    assert bins.min() >= 0.0
    low, high = sorted((first_c, last_c))
    edges = np.concatenate([[-1e9], EDGES_C[1:-1], [1e9]])
    at = 1.0 / (np.clip(edges, low, high) + ZERO_CELSIUS_K)
    if high - low > 1e-3:
        assert bins == pytest.approx(
            span_s * -np.diff(at) / (at[0] - at[-1]), abs=1e-7 * span_s
        )


@pytest.mark.parametrize("edge_c", [-38.0, 0.0, 58.0, 60.0, 120.0, 198.0])
def test_a_rounding_below_an_edge_no_time_is_negative(edge_c: float) -> None:
    below = float(np.nextafter(edge_c, -np.inf))
    for first_c in (edge_c - 3.0, edge_c + 3.0, below, edge_c):
        bins, offsets, squares = (np.zeros(BINS) for _ in range(3))
        tally(bins, offsets, squares, first_c, below, 60.0)
        assert bins.min() >= 0.0
        assert squares.min() >= 0.0
        assert bins.sum() == pytest.approx(60.0)


@settings(deadline=None)
@given(temperatures, st.floats(0.001, 3600.0))
def test_a_held_temperature_lies_in_one_bin(celsius: float, span_s: float) -> None:
    bins = np.zeros(BINS)
    spread(bins, celsius, celsius, span_s)
    assert bins[row_of(celsius)] == span_s
    assert bins.sum() == span_s


@settings(deadline=None)
@given(st.lists(st.tuples(off_edges, off_edges, st.floats(0.1, 300.0)), min_size=1))
def test_the_tally_keeps_mean_and_square_of_each_bin(
    spans: list[tuple[float, float, float]],
) -> None:
    bins, offsets, squares, plain = (np.zeros(BINS) for _ in range(4))
    numeric = np.zeros((3, BINS))
    shares = (np.arange(4000) + 0.5) / 4000
    for first_c, last_c, span_s in spans:
        tally(bins, offsets, squares, first_c, last_c, span_s)
        spread(plain, first_c, last_c, span_s)
        ends = 1.0 / (np.array([first_c, last_c]) + ZERO_CELSIUS_K)
        path = 1.0 / (ends[0] + shares * (ends[1] - ends[0])) - ZERO_CELSIUS_K
        rows = np.clip(np.floor((path - FIRST_C) / WIDTH_K), 0, BINS - 1).astype(int)
        off = path - (FIRST_C + WIDTH_K * (rows + 0.5))
        for moment in range(3):
            np.add.at(numeric[moment], rows, span_s / 4000 * off**moment)
    assert bins == pytest.approx(plain, rel=1e-12, abs=1e-12)
    # The midpoint sum itself knows each bin to a step at either edge only; the open end bins lie far off.
    slack = sum(span_s for _, _, span_s in spans) / 1000
    assert bins == pytest.approx(numeric[0], abs=slack)
    assert offsets[1:-1] == pytest.approx(numeric[1][1:-1], abs=slack)
    assert squares[1:-1] == pytest.approx(numeric[2][1:-1], abs=slack)
    for row in (0, BINS - 1):
        assert offsets[row] == pytest.approx(numeric[1][row], abs=70.0 * slack)


@pytest.mark.parametrize("whole_degrees", [False, True], ids=["tenths", "whole degrees"])
@pytest.mark.parametrize("step", [1, 10, 30])
@pytest.mark.parametrize("truck", TRUCKS)
def test_a_drive_is_costed_again_to_a_thousandth(
    truck: str, step: int, whole_degrees: bool
) -> None:
    seconds, celsius = thinned(*drive(truck, whole_degrees=whole_degrees), step)
    params, account = told(seconds, celsius)
    heat = account.heat
    own = float(heat.equivalent_s + heat.equivalent_rest)
    law = arrhenius(CHART.activation_energy_j_mol, REFERENCE_C)
    assert own == pytest.approx(integral_s(seconds, celsius, law), rel=1e-9)
    assert recost_heat_s(heat, params.ageing, 0.0, 1.0) == pytest.approx(own, rel=5e-5)
    for law, numbers in OTHER_LAWS.values():
        again = recost_heat_s(heat, ageing(**numbers), 0.0, 1.0)
        assert again == pytest.approx(integral_s(seconds, celsius, law), rel=2e-4)
        straight = integral_s(seconds, celsius, law, straight="celsius")
        assert again == pytest.approx(straight, rel=1e-3)


@pytest.mark.parametrize("truck", TRUCKS)
def test_a_drive_is_costed_again_by_the_trades_chart(truck: str) -> None:
    seconds, celsius = drive(truck)
    _, account = told(seconds, celsius)
    law = by_chart(TRADE_CHART, CHART_ROWS.reference_life_s)
    again = recost_heat_s(account.heat, rows_ageing(), 0.0, 1.0)
    assert again == pytest.approx(integral_s(seconds, celsius, law), rel=5e-4)


@pytest.mark.parametrize("shift_k", [-6.0, -2.0, 0.7, 3.0])
@pytest.mark.parametrize("exponent", [0.85, 1.0, 1.1])
def test_a_drive_is_costed_hotter_and_steeper(shift_k: float, exponent: float) -> None:
    seconds, celsius = drive("NF-05")
    params, account = told(seconds, celsius)
    law = arrhenius(exponent * CHART.activation_energy_j_mol, REFERENCE_C)
    again = recost_heat_s(account.heat, params.ageing, shift_k, exponent)
    assert again == pytest.approx(integral_s(seconds, celsius + shift_k, law), rel=2e-4)


def test_three_kelvin_of_bias_are_a_fifth_to_a_quarter_of_the_rate() -> None:
    seconds, celsius = drive("NF-09")
    params, account = told(seconds, celsius)
    more = recost_heat_s(account.heat, params.ageing, 3.0, 1.0)
    assert 1.20 < more / recost_heat_s(account.heat, params.ageing, 0.0, 1.0) < 1.26


def test_bins_alone_would_not_do() -> None:
    # Whole degrees fill a bin at its lower edge and middle: costed evenly it comes out too dear.
    seconds, celsius = drive("NF-09", whole_degrees=True)
    params, account = told(seconds, celsius)
    evenly = recost_s(account.heat.bins_s, params.ageing, 0.0, 1.0)
    own = float(account.heat.equivalent_s)
    assert evenly > 1.01 * own
    assert recost_heat_s(account.heat, params.ageing, 0.0, 1.0) == pytest.approx(own, rel=5e-5)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from([1.0, 5.0, 30.0, 60.0, 299.0]), st.floats(-35.0, 190.0)),
        min_size=2,
        max_size=40,
    ),
    st.sampled_from(sorted(OTHER_LAWS)),
)
def test_any_drive_is_costed_again(stretches: list[tuple[float, float]], name: str) -> None:
    seconds = np.cumsum([span for span, _ in stretches])
    celsius = np.array([fluid for _, fluid in stretches])
    params, account = told(seconds, celsius)
    own = float(account.heat.equivalent_s + account.heat.equivalent_rest)
    again = recost_heat_s(account.heat, params.ageing, 0.0, 1.0)
    assert again == pytest.approx(own, rel=1e-3)
    law, numbers = OTHER_LAWS[name]
    other = recost_heat_s(account.heat, ageing(**numbers), 0.0, 1.0)
    assert other == pytest.approx(integral_s(seconds, celsius, law), rel=1e-3)


@settings(deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, BINS - 1), st.floats(0.0, 1e6)), min_size=1),
    st.floats(-6.0, 6.0),
)
def test_time_spread_evenly_is_costed_as_an_integral_over_the_bin(
    filled: list[tuple[int, float]], shift_k: float
) -> None:
    bins = np.zeros(BINS)
    for row, seconds in filled:
        bins[row] += seconds
    law = arrhenius(77_000.0, 80.0)
    nodes, weights = np.polynomial.legendre.leggauss(10)
    middles = FIRST_C + WIDTH_K * (np.arange(BINS) + 0.5)
    means = law(middles[:, None] + nodes[None, :] * WIDTH_K / 2 + shift_k) @ (0.5 * weights)
    own = ageing(activation_energy_j_mol=77_000.0, reference_c=80.0)
    assert recost_s(bins, own, shift_k, 1.0) == pytest.approx(float(bins @ means), rel=2e-5)


def test_what_a_pan_drop_thins_is_thinned_in_the_histogram() -> None:
    params, account = told(*drive("NF-05"))
    before = recost_heat_s(account.heat, params.ageing, 0.0, 1.0)
    mix(params, account, 0.625)
    after = recost_heat_s(account.heat, params.ageing, 0.0, 1.0)
    assert after == pytest.approx(0.625 * before, rel=1e-12)


@settings(deadline=None)
@given(st.lists(st.floats(0.0, 1e5), min_size=BINS, max_size=BINS), temperatures, temperatures)
def test_time_above_a_temperature(bins: list[float], first_c: float, last_c: float) -> None:
    low, high = sorted((first_c, last_c))
    total_h = sum(bins) / 3600.0
    assert total_h * (1 + 1e-9) >= time_above_h(bins, low) >= time_above_h(bins, high) >= 0.0
    assert time_above_h(bins, LAST_C) == 0.0
    assert time_above_h(bins, FIRST_C) == pytest.approx(total_h)


def test_time_above_a_temperature_within_a_bin() -> None:
    bins = [0.0] * BINS
    bins[row_of(120.0)] = 3600.0
    assert time_above_h(bins, 120.0) == 1.0
    assert time_above_h(bins, 120.5) == 0.75
    assert time_above_h(bins, 122.0) == 0.0
