"""Ageing after key-off: the integral, what the first reading after it teaches, what is shown meanwhile."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.integrate import quad

from models.account import soak_until
from models.ageing import rate
from models.histogram import BINS, recost_s
from models.layout import blank, dtype_of, record
from models.soak import (
    PRIOR_WEIGHT,
    Soak,
    cool_down,
    decay,
    decay_equivalent_s,
    time_constant_s,
)
from simulator.physics.thermal import Thermal, ThermalSpec
from tests.models.entries import parts
from tests.models.fills import fill_params, run
from tests.models.test_gap import AIR_C, HOT, account, after, counted, minutes
from tests.recorded import HOUR_MS, NOON_MS

PARAMS = record(fill_params()).account
AGEING = PARAMS.ageing
PRIOR_S = float(PARAMS.soak.time_constant_s)

celsius = st.floats(-40.0, 160.0)
within_bins = st.floats(-38.0, 160.0)
tau = st.floats(600.0, 20_000.0)
span = st.floats(60.0, 400_000.0)


def exact_s(start_c: float, air_c: float, tau_s: float, span_s: float) -> float:
    def at(time_s: float) -> float:
        return float(rate(AGEING, air_c + (start_c - air_c) * math.exp(-time_s / tau_s)))

    ends = sorted({0.0, *(min(span_s, tau_s * row) for row in range(1, 13)), span_s})
    return sum(quad(at, low, high, epsabs=0.0, epsrel=1e-11)[0] for low, high in pairwise(ends))


@pytest.mark.parametrize("span_s", [300.0, 3600.0, 36_000.0, 600_000.0])
@pytest.mark.parametrize(
    ("start_c", "air_c"), [(95.0, 30.0), (120.0, -30.0), (150.0, 40.0), (-20.0, 25.0), (20, 20)]
)
def test_the_integral_is_that_of_quadrature(
    start_c: float, air_c: float, span_s: float
) -> None:
    for tau_s in (1800.0, PRIOR_S, 5400.0):
        told = decay_equivalent_s(AGEING, start_c, air_c, tau_s, span_s)
        assert told == pytest.approx(exact_s(start_c, air_c, tau_s, span_s), rel=2e-5)


@pytest.mark.parametrize(("start_c", "hours"), [(95.0, 1.4), (120.0, 4.9)])
def test_a_night_after_key_off_costs_what_was_worked_out(start_c: float, hours: float) -> None:
    # Computed by scipy for a ten-hour night at 30 °C, time constant 1.5 h; equivalent hours at 79 °C.
    told = decay_equivalent_s(AGEING, start_c, 30.0, 1.5 * 3600.0, 10.0 * 3600.0)
    assert round(told / 3600.0, 1) == hours


@settings(max_examples=100, deadline=None)
@given(within_bins, within_bins, tau, span)
@example(-32.0, -31.0, 600.0, 60.0)
@example(20.1, 20.1, 5400.0, 36_000.0)
def test_the_histogram_holds_all_of_the_time_and_costs_the_same(
    start_c: float, air_c: float, tau_s: float, span_s: float
) -> None:
    bins = np.zeros(BINS)
    told = decay(AGEING, bins, start_c, air_c, tau_s, span_s)
    assert bins.sum() == pytest.approx(span_s, rel=1e-9)
    assert bins.min() >= 0.0
    assert recost_s(bins, AGEING, 0.0, 1.0) == pytest.approx(told, rel=0.03)


def test_costed_again_from_its_histogram_a_cool_down_agrees_within_a_thousandth() -> None:
    bins = np.zeros(BINS)
    told = decay(AGEING, bins, 110.0, 15.0, PRIOR_S, 3.0 * PRIOR_S)
    assert recost_s(bins, AGEING, 0.0, 1.0) == pytest.approx(told, rel=1e-3)


@settings(max_examples=100, deadline=None)
@given(celsius, celsius, tau, span, st.floats(0.0, 40.0), st.floats(1.0, 3.0))
def test_more_heat_never_costs_less(
    start_c: float, air_c: float, tau_s: float, span_s: float, more_k: float, longer: float
) -> None:
    told = decay_equivalent_s(AGEING, start_c, air_c, tau_s, span_s)
    slack = 1.0 - 1e-4
    assert decay_equivalent_s(AGEING, start_c + more_k, air_c, tau_s, span_s) >= told * slack
    assert decay_equivalent_s(AGEING, start_c, air_c + more_k, tau_s, span_s) >= told * slack
    assert decay_equivalent_s(AGEING, start_c, air_c, tau_s, span_s * longer) >= told * slack
    if start_c >= air_c:
        assert (
            decay_equivalent_s(AGEING, start_c, air_c, tau_s * longer, span_s) >= told * slack
        )


def test_the_prior_of_the_middle_class_is_that_of_the_worked_example() -> None:
    # "Time constant 1.5 h" of the example above; own choice there too.
    assert abs(PRIOR_S / (1.5 * 3600.0) - 1.0) < 0.05


def cooled(start_c: float, end_c: float, hours: float, *, air_c: float = AIR_C) -> Any:
    """Give the soak after one cool-down that was measured at both ends."""
    soak = record(blank(dtype_of(Soak)))
    cool_down(PARAMS.soak, AGEING, soak, start_c, end_c, air_c, hours * 3600.0, True)
    return soak


def end_of(start_c: float, tau_s: float, hours: float) -> float:
    return AIR_C + (start_c - AIR_C) * math.exp(-hours * 3600.0 / tau_s)


def test_the_decay_passes_through_the_first_reading_after_it() -> None:
    own_s = 1.4 * PRIOR_S
    soak = cooled(90.0, end_of(90.0, own_s, 1.5), 1.5)
    expected = decay_equivalent_s(AGEING, 90.0, AIR_C, own_s, 1.5 * 3600.0)
    assert soak.equivalent_s == pytest.approx(expected, rel=1e-9)
    assert soak.bins_s.sum() == pytest.approx(1.5 * 3600.0)


def test_a_truck_learns_its_own_time_constant_and_the_prior_is_worth_four() -> None:
    own_s = 1.3 * PRIOR_S
    soak = record(blank(dtype_of(Soak)))
    assert time_constant_s(PARAMS.soak, soak) == pytest.approx(PRIOR_S)
    for nights in range(1, 41):
        end_c = end_of(90.0, own_s, 2.0)
        cool_down(PARAMS.soak, AGEING, soak, 90.0, end_c, AIR_C, 7200.0, True)
        share = nights / (PRIOR_WEIGHT + nights)
        expected = PRIOR_S * 1.3**share
        assert time_constant_s(PARAMS.soak, soak) == pytest.approx(expected, rel=1e-9)
    assert (soak.paces, soak.checks) == (40, 40)
    # The first estimate was low by what 30 % make; each after it by less.
    first_k = end_of(90.0, PRIOR_S, 2.0) - end_of(90.0, own_s, 2.0)
    assert 40.0 * first_k < soak.check_sum_k < first_k < 0.0
    assert 0.0 < soak.check_squares_k2 < 40.0 * first_k**2


@pytest.mark.parametrize(
    ("start_c", "end_c", "hours", "why"),
    [
        (34.0, 26.0, 1.0, "too cool at key-off"),
        (90.0, 22.9, 5.0, "too cool at key-on"),
        (90.0, 86.0, 0.1, "too short"),
        (90.0, 60.0, 5.0, "warmed up before the first reading"),
        (90.0, math.nan, 4.0, "no reading"),
        (90.0, 15.0, 4.0, "colder than the air was"),
    ],
)
def test_a_cool_down_that_cannot_tell_teaches_nothing(
    start_c: float, end_c: float, hours: float, why: str
) -> None:
    soak = cooled(start_c, end_c, hours)
    assert (soak.paces, soak.checks) == (0, 0), why
    assert soak.equivalent_s > 0.0


def test_without_known_air_a_cool_down_is_charged_and_teaches_nothing() -> None:
    soak = cooled(90.0, end_of(90.0, PRIOR_S, 2.0), 2.0, air_c=math.nan)
    assert (soak.paces, soak.checks) == (0, 0)
    assumed = decay_equivalent_s(AGEING, 90.0, 20.0, PRIOR_S, 7200.0)
    assert soak.equivalent_s == pytest.approx(assumed, rel=1e-9)
    # A colder reading after the night shows that the air was colder than assumed.
    frost = cooled(90.0, -10.0, 12.0, air_c=math.nan)
    colder = decay_equivalent_s(AGEING, 90.0, -10.0, PRIOR_S, 12 * 3600.0)
    assert frost.equivalent_s == pytest.approx(colder, rel=1e-9)


def test_one_odd_reading_is_checked_but_is_no_pace() -> None:
    soak = cooled(90.0, 24.0, 0.5)  # a sixth of the class's time constant
    assert (soak.paces, soak.checks) == (0, 1)


def test_a_parked_gap_is_checked_in_the_stream_too() -> None:
    end_c = end_of(90.0, 1.2 * PRIOR_S, 2.0)
    soak = account(counted(HOT, km=100.0) + counted(after(2, end_c), km=100.0)).soak
    assert (soak.paces, soak.checks) == (1, 1)
    expected = decay_equivalent_s(AGEING, 90.0, AIR_C, 1.2 * PRIOR_S, 7200.0)
    assert soak.equivalent_s == pytest.approx(expected, rel=1e-6)


def test_nothing_is_charged_before_the_gap_has_ended_but_it_can_be_shown() -> None:
    params = fill_params()
    own, told = parts(params, run(params, HOT))
    last_ms = NOON_MS + 10 * 60_000
    assert told.soak.equivalent_s == 0.0
    assert soak_until(own, told, last_ms + 299_000) == 0.0
    shown = soak_until(own, told, last_ms + 5 * HOUR_MS)
    expected = decay_equivalent_s(AGEING, 90.0, AIR_C, PRIOR_S, 5 * 3600.0)
    assert shown == pytest.approx(expected, rel=1e-12)
    ended = account(counted(HOT, km=1.0) + counted(after(5, AIR_C), km=1.0))
    assert ended.soak.equivalent_s == pytest.approx(shown, rel=1e-9)
    own, unread = parts(params, run(params, minutes(0, 5, engine_rpm=800.0)))
    assert soak_until(own, unread, last_ms + 5 * HOUR_MS) == 0.0


def cooling_of_a_simulated_truck(hours: float) -> NDArray[np.float64]:
    """Give the sump of the simulator's truck each second after key-off [°C]; a physics of its own."""
    thermal = Thermal(ThermalSpec(), 85.0, AIR_C)
    sump_c = [thermal.sump_c]
    for _ in range(round(hours * 3600.0)):
        thermal.step(
            1.0,
            converter_w=0.0,
            gearbox_w=0.0,
            pump_w_k=0.0,
            to_cooler=0.0,
            speed_m_s=0.0,
            ambient_c=AIR_C,
        )
        sump_c.append(thermal.sump_c)
    return np.array(sump_c)


def test_the_estimate_agrees_with_a_simulated_truck_that_it_was_not_made_from() -> None:
    sump_c = cooling_of_a_simulated_truck(10.0)
    rates = np.array([rate(AGEING, one) for one in sump_c])
    soak = record(blank(dtype_of(Soak)))
    off: dict[float, list[float]] = {hours: [] for hours in (2.0, 3.0, 4.0, 10.0)}
    for hours in list(off) * 5:
        seconds, before = round(3600.0 * hours), soak.equivalent_s
        end_c = float(sump_c[seconds])
        cool_down(PARAMS.soak, AGEING, soak, 85.0, end_c, AIR_C, 3600.0 * hours, True)
        off[hours].append((soak.equivalent_s - before) / float(rates[:seconds].sum()) - 1.0)
    for hours in (2.0, 3.0, 4.0):
        assert off[hours] == pytest.approx([0.0] * 5, abs=0.03)
    # Ten hours end too near the air's temperature to tell: what was learned stands in.
    assert off[10.0] == sorted(off[10.0])
    assert off[10.0][0] > -0.2
    assert -0.08 < off[10.0][-1] < 0.0
    assert soak.checks == 15
