"""Wald's test against his bounds, and Shiryaev-Roberts against Pollak's.

From memory: Wald 1947 (bounds, mean number of values); Pollak 1985 and Siegmund 1985 (mean run length at
least A, and A over a constant of the overshoot for large A). Printed shares and numbers of values are of an
earlier simulation; a Markov chain written in ``run_lengths.py`` stands between it and the compiled steps.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import pytest
from scipy.special import ndtr
from scipy.stats import binomtest

from models.sequential import odds_threshold, threshold, wald_bounds
from tests.models.run_lengths import chain_cusum, chain_sprt, run_sprt, run_suspicion
from tests.printed import agrees, half_unit


class Row(NamedTuple):
    """A shift of one standard deviation: wrong decisions asked for; printed figures."""

    false_alarm: float
    miss: float
    upper: str
    lower: str
    odds: float
    wald_unchanged: str  # Wald's mean number of values, unchanged and changed
    wald_changed: str
    false_share: str
    missed_share: str
    unchanged: str  # mean number of values
    changed: str


ROWS = [
    Row(0.05, 0.10, "2.8904", "-2.2513", 18, "3.99", "4.75", ".0296", ".0572", "5.57", "6.51"),
    Row(0.01, 0.05, "4.5539", "-2.9857", 95, "5.82", "8.35", ".0056", ".0278", "7.31", "10.06"),
    Row(
        0.001,
        0.01,
        "6.8977",
        "-4.6042",
        990,
        "9.19",
        "13.57",
        ".00052",
        ".0057",
        "10.64",
        "15.10",
    ),
]

PRINTED_RUNS = 50_000
"""How many runs the printed figures are taken to rest on, at least."""

RUNS = 200_000

each_row = pytest.mark.parametrize(
    "row", ROWS, ids=lambda row: f"{row.false_alarm:g}-{row.miss:g}"
)


@each_row
def test_walds_bounds_are_as_printed(row: Row) -> None:
    upper, lower = wald_bounds(row.false_alarm, row.miss)
    assert agrees(upper, row.upper)
    assert agrees(lower, row.lower)
    assert math.exp(upper) == pytest.approx(row.odds)


@each_row
def test_walds_mean_number_of_values_is_as_printed(row: Row) -> None:
    upper, lower = wald_bounds(row.false_alarm, row.miss)
    unchanged = (row.false_alarm * upper + (1.0 - row.false_alarm) * lower) / -0.5
    changed = ((1.0 - row.miss) * upper + row.miss * lower) / 0.5
    assert agrees(unchanged, row.wald_unchanged)
    assert agrees(changed, row.wald_changed)


@each_row
@pytest.mark.parametrize("changed", [False, True])
def test_the_compiled_step_decides_as_the_chain_does(row: Row, changed: bool) -> None:
    bounds = wald_bounds(row.false_alarm, row.miss)
    mean = 0.5 if changed else -0.5
    runs, chain = run_sprt(RUNS, mean, 1.0, *bounds), chain_sprt(mean, 1.0, *bounds)
    assert runs.second.agrees(chain.second.mean)
    assert runs.values.agrees(chain.values.mean)
    printed, share = (
        (row.changed, row.missed_share) if changed else (row.unchanged, row.false_share)
    )
    wrong = 1.0 - chain.second.mean if changed else chain.second.mean
    spread = math.sqrt(wrong / PRINTED_RUNS)
    assert abs(wrong - float(share)) <= half_unit(share) + 4.0 * spread
    error = runs.values.error * math.sqrt(RUNS / PRINTED_RUNS)
    assert abs(chain.values.mean - float(printed)) <= half_unit(printed) + 4.0 * error


@each_row
def test_wrong_decisions_keep_walds_bounds(row: Row) -> None:
    bounds = wald_bounds(row.false_alarm, row.miss)
    false = run_sprt(RUNS, -0.5, 1.0, *bounds).second.mean
    missed = 1.0 - run_sprt(RUNS, 0.5, 1.0, *bounds).second.mean
    for share, most in (
        (false, row.false_alarm / (1.0 - row.miss)),
        (missed, row.miss / (1.0 - row.false_alarm)),
    ):
        # Sure, and not by chance: the bound would be refused from the other side.
        assert binomtest(round(share * RUNS), RUNS, most, alternative="less").pvalue < 1e-6
    assert false + missed <= row.false_alarm + row.miss


def overshoot(shift: float) -> float:
    """Give the limit of the mean of exp(-overshoot): Siegmund's series for normal values."""
    n = np.arange(1, 20_000)
    return 2.0 / shift**2 * math.exp(-2.0 * float(np.sum(ndtr(-0.5 * shift * np.sqrt(n)) / n)))


def test_the_overshoot_is_near_its_expansion_for_small_shifts() -> None:
    # exp(-0.583 shift), Siegmund 1985, from memory.
    for shift in (0.25, 0.5, 1.0):
        assert overshoot(shift) == pytest.approx(math.exp(-0.583 * shift), rel=0.02)


@pytest.mark.parametrize("mean_run", [30.0, 300.0, 3000.0])
@pytest.mark.parametrize("shift", [0.5, 1.0, 2.0])
def test_shiryaev_roberts_runs_at_least_as_long_as_its_threshold(
    shift: float, mean_run: float
) -> None:
    runs = run_suspicion(5_000, shift=shift, log_threshold=math.log(mean_run))
    assert runs.mean - 4.0 * runs.error >= mean_run
    # And not much longer: by the overshoot alone.
    assert abs(runs.mean - mean_run / overshoot(shift)) <= 0.02 * runs.mean + 4.0 * runs.error


def test_shiryaev_roberts_is_hardly_slower_than_the_quickest_test_in_the_worst_case() -> None:
    # Of all tests with one run length CUSUM is the quickest when the change comes at the worst time (Lorden
    # 1971, Moustakides 1986, from memory): shift 1, k 1/2, h 7.36.
    run_length, delay = chain_cusum(0.0, 0.5, 7.36), chain_cusum(1.0, 0.5, 7.36)
    log_threshold = math.log(run_length * overshoot(1.0))
    found = run_suspicion(40_000, shift=1.0, log_threshold=log_threshold, changed=True)
    assert delay <= found.mean <= delay + 1.5


def test_a_threshold_says_the_same_for_every_length_of_window() -> None:
    # Once in 1000 hours is once in 120,000 windows of 30 s.
    assert math.exp(threshold(0.001, 30.0)) == pytest.approx(120_000.0)
    assert math.exp(threshold(0.001, 10.0)) == pytest.approx(360_000.0)
    assert odds_threshold(0.001, 30.0, 1e-5) == pytest.approx(math.log(1.2))
