"""Cold running: what the histogram says of it, and what is said of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from models.cold_running import WORKING_C, ColdRunning, cold_running, words
from models.fleet import CHART
from models.histogram import BINS, row_of
from models.layout import record
from models.units import METRIC, US
from models.viscosity import viscosity_mm2_s
from tests.models.fills import fill_params, run, steps

CONVENTIONAL = replace(CHART, name="conventional", kv40_mm2_s=34.5, kv100_mm2_s=7.4)

histograms = st.lists(
    st.tuples(st.integers(0, BINS - 1), st.floats(1.0, 1e7)), min_size=1, max_size=8
)


def bins_of(entries: list[tuple[int, float]]) -> NDArray[np.float64]:
    bins_s = np.zeros(BINS)
    for row, seconds in entries:
        bins_s[row] += seconds
    return bins_s


def at(**hours: float) -> NDArray[np.float64]:
    """Fill bins by temperature: ``c61`` is the bin that 61 °C lies in, ``m39`` that of -39 °C [h]."""
    signs = {"c": 1, "m": -1}
    return bins_of([(row_of(signs[k[0]] * float(k[1:])), h * 3600.0) for k, h in hours.items()])


def told(bins_s: NDArray[np.float64]) -> ColdRunning:
    found = cold_running(bins_s, CHART)
    assert found is not None
    return found


def test_nothing_was_seen() -> None:
    assert cold_running(np.zeros(BINS), CHART) is None
    assert words(None, METRIC) == ("No temperature of this fluid has been seen yet.",)


def test_a_drive_as_the_kernel_counts_it() -> None:
    state = run(
        fill_params(max_gap_s=1e9), steps([(1.0, 21.0), (2.0, 51.0), (5.0, 89.0), (2.0, 99.0)])
    )
    found = told(record(state).truck.account.heat.bins_s)
    assert found.seen_h == pytest.approx(10.0, rel=1e-6)
    assert found.cold_h == pytest.approx(3.0, rel=1e-6)
    assert found.cold_share == pytest.approx(0.3, rel=1e-6)
    assert found.coldest_c == 21.0


def test_how_thick_against_the_published_table() -> None:
    # ASTM D341 through 34.5 and 7.4 mm²/s, computed: 8.995 mm²/s at 90 °C; bins are 2 K wide, so that
    # the middles next to 20, 40, 80 °C are read off the line here.
    bins_s = at(c41=1.0, c81=2.0, c21=0.5)
    found = cold_running(bins_s, CONVENTIONAL)
    assert found is not None
    by_hand = sum(
        hours * viscosity_mm2_s(34.5, 7.4, celsius)
        for hours, celsius in ((1.0, 41.0), (2.0, 81.0), (0.5, 21.0))
    )
    assert found.thickness == pytest.approx(by_hand / 3.5 / 8.995, rel=1e-4)
    assert found.thickest_mm2_s / found.thickest == pytest.approx(8.995, rel=1e-4)
    assert 69.0 < found.thickest_mm2_s < 76.84  # the table has 76.84 mm²/s at 20 °C


def test_the_bin_that_the_threshold_lies_in_is_shared() -> None:
    assert WORKING_C == 65.0
    assert told(at(c65=4.0)).cold_h == pytest.approx(2.0)
    assert told(at(c66=4.0)).cold_share == 0.0
    assert told(at(c63=4.0)).cold_share == 1.0


def test_steady_at_the_compared_temperature() -> None:
    found = told(at(c89=1.0, c91=1.0))
    assert found.thickness == pytest.approx(1.0, abs=0.01)


@given(histograms)
def test_shares_and_bounds(entries: list[tuple[int, float]]) -> None:
    found = told(bins_of(entries))
    assert 0.0 <= found.cold_share <= 1.0
    assert 0.0 <= found.cold_h <= found.seen_h
    assert 0.0 < found.thickness <= found.thickest * (1.0 + 1e-12)
    said = " ".join(words(found, METRIC))
    assert f"about {found.coldest_c:.0f} °C" in said
    assert ("drag" in said) == (found.cold_h > 0.0)


@given(histograms, st.floats(0.01, 1.0))
def test_a_pan_drop_changes_hours_and_no_share(
    entries: list[tuple[int, float]], stays: float
) -> None:
    whole, thinned = told(bins_of(entries)), told(stays * bins_of(entries))
    assert thinned.seen_h == pytest.approx(stays * whole.seen_h)
    assert thinned.cold_share == pytest.approx(whole.cold_share, abs=1e-9)
    assert thinned.thickness == pytest.approx(whole.thickness)
    assert thinned.coldest_c == whole.coldest_c


@given(histograms, histograms)
def test_two_records_together(
    entries: list[tuple[int, float]], others: list[tuple[int, float]]
) -> None:
    one, other, both = (told(bins_of(each)) for each in (entries, others, entries + others))
    share = one.seen_h / both.seen_h
    assert both.cold_h == pytest.approx(one.cold_h + other.cold_h, abs=1e-6)
    assert both.thickness == pytest.approx(
        share * one.thickness + (1.0 - share) * other.thickness
    )
    assert both.coldest_c == min(one.coldest_c, other.coldest_c)


@given(histograms, st.integers(0, 60))
def test_colder_is_never_thinner(entries: list[tuple[int, float]], rows: int) -> None:
    warm = told(bins_of(entries))
    cold = told(bins_of([(max(0, row - rows), seconds) for row, seconds in entries]))
    assert cold.thickness >= warm.thickness * (1.0 - 1e-12)
    assert cold.cold_share >= warm.cold_share - 1e-12


def test_words() -> None:
    said = " ".join(words(told(at(m11=0.5, c51=35.0, c85=254.5)), METRIC))
    assert "Below 65 °C for 12 % of the time seen (36 of 290 h)." in said
    assert "1.4 times as thick as at 90 °C; at its coldest, about -11 °C, " in said
    assert "65 times, some 480 mm²/s." in said
    assert (
        "for new fluid of 29.6 mm²/s at 40 °C and 6 mm²/s at 100 °C (viscosity index 154)."
        in said
    )
    assert "at most in proportion" in said
    assert "1 to 3 % (common practice, no source)" in said
    assert "not an alarm" in said
    assert "extrapolated" not in said


@pytest.mark.parametrize(
    ("kv40", "kv100"), [(1000.0, 1.0), (1000.0, 99.0), (1000.0, 100.0), (1.01, 1.0)]
)
def test_the_oddest_fluids_that_a_fleet_file_may_name(kv40: float, kv100: float) -> None:
    fluid = replace(CHART, kv40_mm2_s=kv40, kv100_mm2_s=kv100)
    found = cold_running(bins_of([(0, 3600.0), (BINS - 1, 3600.0)]), fluid)
    assert found is not None
    assert 1.0 <= found.thickest < np.inf
    assert all(len(line) < 320 for line in words(found, METRIC))


def test_words_in_fahrenheit() -> None:
    said = " ".join(words(told(at(m31=0.1, c85=20.0)), US))
    assert "Below 149 °F for less than 1 % of the time seen" in said
    assert "as thick as at 194 °F" in said
    assert "Below -4 °F that is extrapolated and may be far off" in said
    assert "°C" not in said


def test_nothing_is_said_of_cost_where_nothing_ran_cold() -> None:
    said = " ".join(words(told(at(c85=20.0)), METRIC))
    assert "for 0 % of the time seen" in said
    assert "drag" not in said
