"""What a change would have meant: what holds for any duty, and what a circuit cannot have."""

from __future__ import annotations

from dataclasses import astuple, replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from models.ageing import mean_rate
from models.circuit import BYPASS, COOLANT, COOLANT_VALVE, FULL_FLOW, PLAY_K, TANK, TANK_AND_AIR
from models.duty import Duty
from models.hypotheses import FLOW, SHUT
from models.layout import record
from models.soak import decay_equivalent_s
from models.what_if import (
    DRAWS,
    NotOffered,
    even_points,
    offered,
    what_if,
)
from models.what_if_cost import ABOVE_S, HOTTEST_C, cost, difference
from models.what_if_figures import Band, Change, Outcome, WhatIf
from tests.models.duties import circuit, course, duty, own, terms

heats = st.lists(st.floats(300.0, 25_000.0), min_size=2, max_size=12)
over_air_k = st.floats(10.0, 90.0)
"""Fluid colder than the air before the cooler would be warmed by it: more so by a bigger one."""
speeds = st.floats(0.0, 110.0)
airs = st.floats(-30.0, 45.0)


@st.composite
def duties(draw: st.DrawFn) -> Duty:
    """Up to two hours of heat in steps of ten minutes; the sensor reads what it likes."""
    heat_w = np.repeat(draw(heats), 60)
    noise = np.random.default_rng(draw(st.integers(0, 1000))).normal(0.0, 1.0, len(heat_w) + 1)
    air_c = draw(airs)
    start_c = air_c + draw(over_air_k)
    return duty(
        heat_w.tolist(),
        start_c=start_c,
        speed_km_h=draw(speeds),
        air_c=air_c,
        idle_w=300.0,
        read_c=start_c + np.cumsum(noise) / 5.0,
    )


def loaded(fitted: NDArray[Any], *, hypothesis: int = 0) -> Duty:
    """Two hours of 9 kW, and the fluid reads what the model says."""
    heat_w = [9_000.0] * 720
    ends_c = course(duty(heat_w), fitted, hypothesis=hypothesis)
    return duty(heat_w, read_c=np.concatenate([[60.0], ends_c]))


SOME = {
    "cooler": Change(cooler=1.3),
    "full_flow": Change(full_flow=True),
    "cleaned": Change(cleaned=True),
    "load": Change(load=0.8),
}


def answer(driven: Duty, *changes: Change, kind: int = BYPASS, **more: Any) -> WhatIf:
    return what_if(driven, own(driven, circuit(kind), **more), terms(), changes)


def changed(driven: Duty, change: Change, **more: Any) -> tuple[Outcome, Outcome]:
    as_was, outcome = answer(driven, change, **more).outcomes
    return as_was, outcome


def bands(outcome: Outcome) -> list[Band]:
    found: list[Band] = []
    for value in (getattr(outcome, name) for name in Outcome.__slots__):
        found += [value] if isinstance(value, Band) else []
        found += value if isinstance(value, tuple) else []
    return found


PROPERTY = settings(max_examples=25, deadline=None)


@PROPERTY
@given(duties(), st.sampled_from([SHUT, 0]))
def test_no_change_changes_nothing(driven: Duty, hypothesis: int) -> None:
    unchanged = Change(cooler=1.0, load=1.0)
    as_was, outcome = changed(driven, unchanged, hypothesis=hypothesis)
    assert astuple(outcome) == astuple(as_was)


@PROPERTY
@given(duties())
def test_cleaning_a_cooler_that_carries_what_it_should_changes_nothing(driven: Duty) -> None:
    as_was, outcome = changed(driven, Change(cleaned=True))
    assert bands(outcome) == bands(as_was)


@PROPERTY
@given(duties(), st.floats(1.0, 4.0))
def test_a_bigger_cooler_is_never_hotter_nor_dearer(driven: Duty, cooler: float) -> None:
    as_was, outcome = changed(driven, Change(cooler=cooler), kind=FULL_FLOW)
    rounding = 1e-9
    assert outcome.hottest_c.high <= as_was.hottest_c.best + rounding
    assert outcome.life.high <= as_was.life.best * (1.0 + rounding)
    assert outcome.over_limit_h.high <= as_was.over_limit_h.best + rounding


@PROPERTY
@given(duties(), st.floats(1.0, 4.0))
def test_behind_a_valve_a_bigger_cooler_is_hotter_by_no_more_than_the_valves_play(
    driven: Duty, cooler: float
) -> None:
    as_was, outcome = changed(driven, Change(cooler=cooler), sure=True)
    assert outcome.hottest_c.best <= as_was.hottest_c.best + PLAY_K


@PROPERTY
@given(duties(), st.floats(0.25, 1.0))
def test_less_load_never_costs_more(driven: Duty, load: float) -> None:
    as_was, outcome = changed(driven, Change(load=load), kind=FULL_FLOW)
    assert outcome.life.high <= as_was.life.best * (1.0 + 1e-9)
    assert outcome.hottest_c.high <= as_was.hottest_c.best + 1e-9


@PROPERTY
@given(duties())
def test_the_order_of_the_changes_does_not_matter(driven: Duty) -> None:
    changes = [Change(cooler=1.3), Change(full_flow=True), Change(load=0.8), Change()]
    there, back = answer(driven, *changes), answer(driven, *reversed(changes))
    assert there.outcomes[1:] == tuple(reversed(back.outcomes[1:]))


@PROPERTY
@given(duties())
def test_a_band_holds_its_best_estimate_and_is_the_same_each_time(driven: Duty) -> None:
    changes = (Change(cooler=1.5), Change(full_flow=True), Change(cleaned=True, load=0.7))
    first = answer(driven, *changes)
    assert repr(first) == repr(answer(driven, *changes))
    for outcome in first.outcomes:
        for each in bands(outcome):
            assert each.low <= each.best <= each.high


def test_who_knows_the_truck_better_has_a_narrower_band() -> None:
    driven = loaded(circuit())
    change = Change(full_flow=True)
    sure = changed(driven, change, sure=True)[1].of_as_was
    unsure = changed(driven, change)[1].of_as_was
    assert sure.high - sure.low < unsure.high - unsure.low


def test_the_span_as_it_was_is_what_the_readings_cost() -> None:
    read_c = np.linspace(70.0, 130.0, 721)
    driven = duty([9_000.0] * 720, read_c=read_c)
    judged = terms()
    (as_was,) = answer(driven).outcomes
    rates = [mean_rate(record(judged.ageing), *pair) for pair in pairwise(read_c)]
    assert as_was.equivalent_h.best == pytest.approx(10.0 * sum(rates) / 3600.0, rel=1e-12)
    assert as_was.hottest_c == Band(low=130.0, best=130.0, high=130.0)
    assert as_was.over_limit_h.best == pytest.approx(2.0 * 9.0 / 60.0, rel=0.02)
    assert as_was.life.best == pytest.approx(
        as_was.equivalent_h.best * 3600.0 / judged.life_s, rel=1e-12
    )
    assert as_was.of_as_was == Band(low=1.0, best=1.0, high=1.0)


def test_cleaning_frees_a_pinched_line_and_leaves_a_stuck_valve() -> None:
    clean = Change(cleaned=True)
    driven = loaded(circuit(cooler_w_k=40.0))
    pinched = replace(
        own(driven, circuit(), sure=True, hypothesis=FLOW),
        numbers=np.full(len(driven.end_ms), np.log(0.2)),
    )
    as_was, cleaned = what_if(driven, pinched, terms(), (clean,)).outcomes
    assert cleaned.life.best < 0.5 * as_was.life.best
    as_was, stuck = changed(loaded(circuit(), hypothesis=SHUT), clean, hypothesis=SHUT)
    assert stuck.life == as_was.life


def test_what_a_circuit_cannot_have_is_refused_with_what_it_can() -> None:
    driven = duty([3_000.0] * 12)
    for kind in (FULL_FLOW, COOLANT, COOLANT_VALVE, TANK, TANK_AND_AIR):
        assert "full_flow" not in offered(kind)
        with pytest.raises(NotOffered, match="bigger cooler, a cleaned cooler or less load"):
            answer(driven, Change(full_flow=True), kind=kind)
        for name in offered(kind):
            answer(driven, SOME[name], kind=kind)
    with pytest.raises(NotOffered, match="factor on the cooler is 40"):
        answer(driven, Change(cooler=40.0))
    with pytest.raises(NotOffered, match="nothing is known"):
        answer(driven, Change(load=0.8), kind=0)


def test_a_difference_dies_away_while_nothing_is_known_and_is_taken_up_again() -> None:
    minute = 60_000
    start_ms = np.array([0, 10, 120], np.int64) * minute
    end_ms = np.array([10, 20, 130], np.int64) * minute
    read_ms = np.array([0, 5, 20, 70, 120, 125, 130, 190], np.int64) * minute
    found = np.zeros(len(read_ms))
    difference(start_ms, end_ms, np.array([-4.0, -8.0, -2.0]), 3_600.0, read_ms, found)
    later = -8.0 * np.exp([-50 / 60, -100 / 60])
    expected = [0.0, -2.0, -8.0, later[0], later[1], 0.5 * (later[1] - 2.0), -2.0]
    assert found[:7] == pytest.approx(expected)
    assert found[7] == pytest.approx(-2.0 / np.e)


def test_a_parked_span_cools_and_an_unseen_one_counts_for_nothing() -> None:
    judged = terms()
    ageing = record(judged.ageing)
    hour = 3_600_000
    read_ms = np.array([0, 8, 9], np.int64) * hour
    read_c, air_c = np.array([110.0, 20.0, 90.0]), np.array([15.0, 15.0, 15.0])
    flags = np.array([True, False, False])
    sums = np.zeros(ABOVE_S + 1)
    edges_c, spans_s = np.array([121.0, 65.0]), (300.0, 6_000.0)
    cost(ageing, (read_ms, read_c, air_c, flags, flags), np.zeros(3), edges_c, spans_s, sums)
    expected_s = decay_equivalent_s(ageing, 110.0, 15.0, 6_000.0, 8.0 * 3600.0)
    assert list(sums[1:]) == pytest.approx([0, 0, expected_s, 0, 8 * 3600, 3600, 0, 0])
    assert sums[HOTTEST_C] == 110.0


def test_the_draws_fill_their_space_evenly() -> None:
    points = np.array(even_points(8, DRAWS))
    assert points.shape == (DRAWS, 8)
    assert points.mean(axis=0) == pytest.approx(np.zeros(8), abs=1e-12)
    assert np.abs(points.std(axis=0) - 1.0).max() < 0.25
    apart = np.corrcoef(points, rowvar=False) - np.eye(8)
    assert np.abs(apart).max() < 0.3
