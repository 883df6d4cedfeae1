"""The trade's fluid-life chart: its rows, what straight lines make of them, and the fluid that follows them.

The chart is a rule of the trade: two public enthusiast pages carry it, no primary source is known. Printings
differ (212 or 215 °F in the third row, 6,000 or 6,250 mi in the fifth, some with a last line of 415 °F and
"less than 30 minutes"); used here: 212 °F and 6,250 mi, without the last line. Everything else in this file
was worked out from the rows.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.integrate import quad

from models.ageing import mean_rate, rate
from models.chart import energy_j_mol, life_s, local_energy_j_mol
from models.fleet import (
    CHART,
    CHART_MEAN_SPEED_MPH,
    CHART_ROWS,
    TRADE_CHART,
    TRADE_CHART_ROWS,
    Vehicle,
)
from models.layout import record
from models.parameters import parameters
from models.units import GAS_CONSTANT, ZERO_CELSIUS_K
from tests.models.fills import FOREVER_S, profile, run, stated
from tests.printed import agrees


class Row(NamedTuple):
    fahrenheit: float
    celsius: str
    chart_mi: float
    all_rows_mi: str  # by the fit to all rows, and its distance from the chart
    all_rows_pct: str
    low_rows_mi: str  # by the fit to the rows up to 295 °F
    low_rows_pct: str
    halving_pct: str  # distance of the curve that halves every 19.29 °F
    local_kj_mol: str  # activation energy between this row and the one above it


ROWS = [
    Row(175, "79.44", 100_000, "145264", "45.3", "107904", "7.9", "3.9", ""),
    Row(195, "90.56", 50_000, "57115", "14.2", "48364", "-3.3", "1.3", "66.5"),
    Row(212, "100.00", 25_000, "26986", "7.9", "25387", "1.5", "10.0", "82.8"),
    Row(235, "112.78", 12_000, "10374", "-13.5", "11161", "-7.0", "0.2", "68.8"),
    Row(255, "123.89", 6_250, "4750", "-24.0", "5702", "-8.8", "-6.2", "74.8"),
    Row(275, "135.00", 3_000, "2269", "-24.4", "3022", "0.7", "-4.8", "89.0"),
    Row(295, "146.11", 1_500, "1127", "-24.8", "1656", "10.4", "-7.2", "88.8"),
    Row(315, "157.22", 750, "581", "-22.6", "936", "24.8", "-9.6", "93.6"),
    Row(335, "168.33", 325, "309", "-4.9", "545", "67.6", "1.7", "118.9"),
    Row(355, "179.44", 160, "170", "6.2", "325", "103", "0.7", "106.0"),
    Row(375, "190.56", 80, "96", "20.0", "199", "149", "-1.9", "108.9"),
    Row(390, "198.89", 40, "64", "59.3", "140", "250", "14.5", "151.4"),
]
each_row = pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row.fahrenheit:g}F")


class Line(NamedTuple):
    """A straight line through ln(life) by least squares; ``rms`` by its degrees of freedom."""

    slope: float
    offset: float
    slope_se: float
    rms: float
    r2: float


def fitted(x: NDArray[np.float64], logs: NDArray[np.float64]) -> Line:
    slope, offset = np.polyfit(x, logs, 1)
    rest = logs - offset - slope * x
    variance = float(rest @ rest) / (len(x) - 2)
    centred = x - x.mean()
    return Line(
        slope=float(slope),
        offset=float(offset),
        slope_se=math.sqrt(variance / float(centred @ centred)),
        rms=math.sqrt(variance),
        r2=1.0 - float(rest @ rest) / float(((logs - logs.mean()) ** 2).sum()),
    )


FAHRENHEIT = np.array([row.fahrenheit for row in ROWS])
LOGS = np.log([row.chart_mi for row in ROWS])
INVERSE = 1.0 / ((FAHRENHEIT - 32.0) / 1.8 + ZERO_CELSIUS_K)
LOW = FAHRENHEIT <= 295


class Fit(NamedTuple):
    rows: slice
    energy: str  # [kJ/mol]
    slope: str  # [K]
    offset: str
    rms: str
    r2: str
    energy_se: str = ""


FITS = {
    "all 12": Fit(slice(0, 12), "89.58", "10774.0", "-18.6700", "0.272", "0.9899", "2.9"),
    "7 up to 295 F": Fit(slice(0, 7), "77.01", "9261.9", "-14.6790", "0.078", "0.9978", "1.6"),
    "4 up to 235 F": Fit(slice(0, 4), "72.78", "8753.3", "-13.2949", "0.044", "0.9984"),
    "8 from 255 F": Fit(slice(4, 12), "104.04", "12512.8", "-22.6206", "0.133", "0.9952"),
}


@pytest.mark.parametrize("name", FITS)
def test_what_one_activation_energy_makes_of_the_rows(name: str) -> None:
    fit = FITS[name]
    line = fitted(INVERSE[fit.rows], LOGS[fit.rows])
    assert agrees(line.slope, fit.slope)
    assert agrees(line.slope * GAS_CONSTANT / 1000.0, fit.energy)
    assert agrees(line.offset, fit.offset)
    assert agrees(line.rms, fit.rms)
    assert agrees(line.r2, fit.r2)
    if fit.energy_se:
        assert agrees(line.slope_se * GAS_CONSTANT / 1000.0, fit.energy_se)
    assert energy_j_mol(TRADE_CHART[fit.rows]) == pytest.approx(line.slope * GAS_CONSTANT)


def test_the_chart_is_a_curve_that_halves_per_step_and_not_an_activation_energy() -> None:
    line = fitted(FAHRENHEIT, LOGS)
    halves_f = -math.log(2.0) / line.slope
    assert agrees(halves_f, "19.29")
    assert agrees(halves_f / 1.8, "10.71")  # K
    assert agrees(math.exp(line.offset + 175.0 * line.slope), "103932")
    assert agrees(line.rms, "0.072")
    assert line.rms < 0.3 * fitted(INVERSE, LOGS).rms


@each_row
def test_how_far_each_fit_lies_from_each_row(row: Row) -> None:
    at = float(1.0 / ((row.fahrenheit - 32.0) / 1.8 + ZERO_CELSIUS_K))
    all_rows, low_rows = fitted(INVERSE, LOGS), fitted(INVERSE[LOW], LOGS[LOW])
    halving = fitted(FAHRENHEIT, LOGS)
    for line, x, miles, percent in (
        (all_rows, at, row.all_rows_mi, row.all_rows_pct),
        (low_rows, at, row.low_rows_mi, row.low_rows_pct),
        (halving, row.fahrenheit, "", row.halving_pct),
    ):
        life_mi = math.exp(line.offset + line.slope * x)
        assert agrees(100.0 * (life_mi / row.chart_mi - 1.0), percent)
        if miles:
            assert agrees(life_mi, miles)


def test_the_rows_that_the_fluid_follows_are_the_charts() -> None:
    assert [tuple(row) for row in TRADE_CHART_ROWS] == [
        (row.fahrenheit, row.chart_mi) for row in ROWS
    ]
    for (celsius, seconds), row in zip(TRADE_CHART, ROWS, strict=True):
        assert agrees(celsius, row.celsius)
        assert seconds / 3600.0 * CHART_MEAN_SPEED_MPH == pytest.approx(row.chart_mi)


@pytest.mark.parametrize("number", range(1, 12))
def test_the_energy_between_neighbours(number: int) -> None:
    local = local_energy_j_mol(TRADE_CHART, number)
    assert agrees(local / 1000.0, ROWS[number].local_kj_mol)


def test_the_charts_miles_are_as_many_hours_as_one_drives_slowly() -> None:
    # 100,000 mi at 20, 30, 40 and 50 mi/h.
    for speed, printed in ((20.0, "5000"), (30.0, "3333"), (40.0, "2500"), (50.0, "2000")):
        assert agrees(100_000.0 / speed, printed)
    assert CHART_MEAN_SPEED_MPH == 30.0
    assert agrees(CHART.reference_life_s / 3600.0, "3333")


def account_of_rows() -> Any:
    vehicle = Vehicle(name="NF-01", fluid=CHART_ROWS.name)
    return parameters(vehicle, CHART_ROWS, max_gap_s=FOREVER_S, silent_after_s=900.0)


OWN = record(account_of_rows()).account


@each_row
def test_the_fluid_by_rows_meets_every_row(row: Row) -> None:
    celsius = (row.fahrenheit - 32.0) / 1.8
    life_h = OWN.reference_life_s / rate(OWN.ageing, celsius) / 3600.0
    assert life_h * CHART_MEAN_SPEED_MPH == pytest.approx(row.chart_mi, rel=1e-12)
    assert life_s(TRADE_CHART, celsius) / 3600.0 == pytest.approx(life_h, rel=1e-12)
    hours = row.chart_mi / CHART_MEAN_SPEED_MPH
    params = account_of_rows()
    account = stated(params, run(params, profile([0.0, hours], [celsius] * 2)))
    assert account.life_used == pytest.approx(
        1.0, rel=1e-6
    )  # hours are rounded to milliseconds


@settings(deadline=None)
@given(st.integers(1, 11), st.floats(0.0, 1.0))
def test_between_two_rows_the_logarithm_of_life_runs_straight_over_1_by_t(
    number: int, share: float
) -> None:
    inverse = INVERSE[number - 1] + share * (INVERSE[number] - INVERSE[number - 1])
    log = LOGS[number - 1] + share * (LOGS[number] - LOGS[number - 1])
    celsius = float(1.0 / inverse - ZERO_CELSIUS_K)
    life_mi = OWN.reference_life_s / rate(OWN.ageing, celsius) / 3600.0 * CHART_MEAN_SPEED_MPH
    assert life_mi == pytest.approx(math.exp(log), rel=1e-11)
    assert life_s(TRADE_CHART, celsius) / 3600.0 * CHART_MEAN_SPEED_MPH == pytest.approx(
        life_mi
    )


@pytest.mark.parametrize(
    ("celsius", "number"), [(-30.0, 1), (20.0, 1), (79.0, 1), (199.0, 11), (260.0, 11)]
)
def test_beyond_its_ends_the_chart_goes_on_as_it_ended(celsius: float, number: int) -> None:
    end_c = TRADE_CHART[0 if number == 1 else 11][0]
    energy = local_energy_j_mol(TRADE_CHART, number)
    between = 1.0 / (end_c + ZERO_CELSIUS_K) - 1.0 / (celsius + ZERO_CELSIUS_K)
    ratio = rate(OWN.ageing, celsius) / rate(OWN.ageing, end_c)
    assert ratio == pytest.approx(math.exp(energy / GAS_CONSTANT * between), rel=1e-9)


@settings(deadline=None)
@given(st.floats(-30.0, 230.0), st.floats(-30.0, 230.0))
def test_a_span_over_several_rows_is_integrated_exactly(first_c: float, last_c: float) -> None:
    first, last = 1.0 / (first_c + ZERO_CELSIUS_K), 1.0 / (last_c + ZERO_CELSIUS_K)
    inside = [x for x in INVERSE if min(first, last) < x < max(first, last)]

    def at(share: float) -> float:
        return rate(OWN.ageing, 1.0 / (first + share * (last - first)) - ZERO_CELSIUS_K)

    bends = sorted((x - first) / (last - first) for x in inside)
    edges = [0.0, *bends, 1.0]
    exact = sum(
        quad(at, low, high, epsrel=1e-12, epsabs=0.0, limit=200)[0]
        for low, high in pairwise(edges)
    )
    assert mean_rate(OWN.ageing, first_c, last_c) == pytest.approx(exact, rel=1e-8)
    assert mean_rate(OWN.ageing, last_c, first_c) == pytest.approx(exact, rel=1e-8)


@settings(deadline=None)
@given(
    st.floats(-30.0, 230.0), st.floats(-30.0, 230.0), st.floats(0.0, 20.0), st.floats(0.0, 20.0)
)
def test_a_hotter_span_never_costs_less(
    first_c: float, last_c: float, first_k: float, last_k: float
) -> None:
    cool = mean_rate(OWN.ageing, first_c, last_c)
    hot = mean_rate(OWN.ageing, first_c + first_k, last_c + last_k)
    assert hot >= cool * (1.0 - 1e-9)


def test_how_much_more_the_rows_charge_than_the_fit() -> None:
    # What the fleet file's comments say of the two built-in fluids.
    fit = parameters(Vehicle(name="NF-01"), CHART, max_gap_s=FOREVER_S, silent_after_s=900.0)
    own = record(fit).account

    def ratio(celsius: float) -> float:
        return rate(OWN.ageing, celsius) / rate(own.ageing, celsius)

    milder = [ratio(celsius) for celsius in np.linspace(79.5, 150.0, 200)]
    assert (round(1 / max(milder), 3), round(1 / min(milder), 3)) == (0.936, 1.183)
    assert agrees(ratio(TRADE_CHART[8][0]), "1.6")
    assert agrees(ratio(TRADE_CHART[11][0]), "3.2")
