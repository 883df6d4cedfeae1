"""What is said of a cooling circuit: causes by their odds, what tells them apart, what was proven."""

from __future__ import annotations

import math
from datetime import timedelta, timezone
from itertools import combinations, permutations
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models import circuit_words
from models.fleet import Circuit
from models.hypotheses import HEALTHY, NAMES, possible
from models.tell_apart import look, telling
from models.units import METRIC, US, Units
from tests.recorded import HOUR_MS, MINUTE_MS, NOON_MS

STUCK = {"p_healthy": 0.001, "p_shut": 0.93, "p_flow": 0.05, "p_low": 0.019}
CIRCUITS = [
    possible(circuit, coolant_valve=valve, air_cooler=air)
    for circuit in get_args(Circuit)
    for valve in (False, True)
    for air in (False, True)
]


def test_the_causes_that_remain_are_named_the_likeliest_first() -> None:
    assert circuit_words.rivals(STUCK) == (
        "Bypass valve stuck, nothing reaches the cooler: 93%; cooler starved of fluid (line or "
        "core pinched or blocked): 5%."
    )


def test_a_valve_in_the_coolant_is_called_that() -> None:
    said = circuit_words.rivals({**STUCK, "coolant_cooled": 1.0})
    assert said.startswith("Coolant valve stuck shut")
    assert "bypass" not in said.lower()


@pytest.mark.parametrize(
    ("probability", "said"), [(0.9999, "over 99%"), (0.931, "93%"), (0.004, "under 1%")]
)
def test_what_is_inferred_is_never_called_certain(probability: float, said: str) -> None:
    assert circuit_words.likely(probability) == said


@given(st.lists(st.floats(0.0, 1.0), min_size=len(NAMES), max_size=len(NAMES)))
def test_none_below_two_in_a_hundred_is_named_and_the_order_is_that_of_the_odds(
    odds: list[float],
) -> None:
    found = circuit_words.causes({f"p_{n}": p for n, p in zip(NAMES, odds, strict=True)})
    shares = [share for _, share in found]
    assert shares == sorted(shares, reverse=True)
    assert len(found) == sum(one >= 0.02 for one in odds)


def told(one: int, other: int, *, by_coolant: bool = False) -> str:
    at = look(one, other, by_coolant=by_coolant)
    return telling(at, (one, other), by_coolant=by_coolant) if at else ""


@pytest.mark.parametrize("held", CIRCUITS)
@pytest.mark.parametrize("by_coolant", [False, True])
def test_any_two_causes_that_one_circuit_can_have_can_be_told_apart(
    held: tuple[int, ...], by_coolant: bool
) -> None:
    for one, other in combinations(held, 2):
        said = told(one, other, by_coolant=by_coolant)
        assert said.endswith(".")
        assert "°" not in said


@pytest.mark.parametrize(("one", "other"), list(permutations(range(len(NAMES)), 2)))
def test_the_same_look_whichever_cause_is_asked_first(one: int, other: int) -> None:
    there, back = told(one, other), told(other, one)
    assert there.split(":")[0] == back.split(":")[0]
    assert there != back


def test_the_leading_rivals_are_told_apart_and_no_more_than_two_ways_are_named() -> None:
    assert circuit_words.tells_apart(STUCK) == (
        "A stop after a hot pull, parked where it is safe, in Neutral, the engine at a raised idle: with a "
        "stuck bypass valve the fluid hardly cools; with a lack of flow the fluid cools slowly."
    )
    many = {f"p_{name}": 1.0 / len(NAMES) for name in NAMES}
    assert circuit_words.tells_apart(many).count(": with ") == circuit_words.MOST_TESTS


def test_rivals_that_show_the_same_are_told_apart_from_the_first_in_one_breath() -> None:
    said = circuit_words.tells_apart({"p_air": 0.7, "p_flow": 0.2, "p_low": 0.1})
    assert said.count("highway") == 1
    assert "with a lack of flow or some other lack of cooling the fluid stays as hot" in said


def test_nobody_is_sent_to_load_a_hot_truck() -> None:
    for one, other in permutations(range(len(NAMES)), 2):
        said = told(one, other)
        assert "highway" not in said or "do not load a hot truck" in said


def test_a_single_cause_is_confirmed_against_health() -> None:
    alone = circuit_words.tells_apart({"p_shut": 1.0})
    assert alone == told(NAMES.index("shut"), HEALTHY)
    assert circuit_words.tells_apart({"p_healthy": 1.0}) == ""


def test_a_normal_sump_clears_no_valve_that_may_be_stuck_half_way() -> None:
    assert "does not clear it" in circuit_words.half_way({"p_low": 0.3, "p_shut": 0.001})
    assert circuit_words.half_way({"p_low": 0.3}) == ""  # a circuit without a valve
    assert circuit_words.half_way({"p_low": 0.001, "p_shut": 0.001, "p_air": 0.9}) == ""
    assert "valve" not in circuit_words.rivals({"p_low": 0.3})


def test_a_clutch_that_no_signal_shows_is_named_as_what_it_could_be() -> None:
    assert "lockup clutch" in circuit_words.slip_unseen({"slip_told": 0.0})
    assert circuit_words.slip_unseen({"slip_told": 1.0}) == ""


def test_numbers_that_are_not_there_are_not_spoken_of() -> None:
    for evidence in ({}, {"cooler_share": math.nan, "expected_temp_c": math.nan}):
        assert circuit_words.rivals(evidence) == ""
        assert circuit_words.tells_apart(evidence) == ""
        assert circuit_words.share(evidence) == ""
        assert circuit_words.expected(evidence, METRIC) == ""
        assert circuit_words.since(evidence, METRIC) == ""
        assert circuit_words.proven(evidence, METRIC) == ""


def test_the_coolers_share_has_its_band_where_that_is_known() -> None:
    said = circuit_words.share({"cooler_share": 0.12, "cooler_share_sd": 0.1})
    assert said.startswith("The cooler carries about 12% (8 in 10: 0% to 25%) of what this")
    assert "8 in 10" not in circuit_words.share({"cooler_share": 0.12})


@pytest.mark.parametrize(("units", "said"), [(METRIC, "93 °C"), (US, "199 °F")])
def test_what_health_would_have_read_is_in_the_readers_units(units: Units, said: str) -> None:
    assert said in circuit_words.expected(
        {"expected_temp_c": 93.0, "expected_sd_k": 4.0}, units
    )


def observed(
    proven_ms: int, judged_ms: int, unseen_since_ms: int, units: Units = METRIC
) -> str:
    return circuit_words.observability(
        proven_ms=proven_ms,
        judged_ms=judged_ms,
        unseen_since_ms=unseen_since_ms,
        now_ms=NOON_MS + 3 * HOUR_MS,
        units=units,
    )


def test_silence_is_not_health_and_that_is_said() -> None:
    never = observed(0, 0, NOON_MS)
    assert "not proven yet" in never
    assert "Not observable yet" in never
    two = NOON_MS + 2 * HOUR_MS + 32 * MINUTE_MS
    assert observed(two, two, 0) == "Cooler flow last proven 14:32."
    assert "Not observable since 14:32" in observed(two, two, two)


def test_times_of_another_day_carry_their_date_and_all_are_the_readers() -> None:
    assert (
        observed(NOON_MS - 24 * HOUR_MS, 1, 0) == "Cooler flow last proven 31 December 12:00."
    )
    east = Units(zone=timezone(timedelta(hours=11)))
    assert observed(NOON_MS, 1, 0, east) == "Cooler flow last proven 1 January 23:00."


@pytest.mark.parametrize(
    ("part", "said"), [(0.0, "usual values"), (0.5, "to 50%"), (1.0, "own values")]
)
def test_how_far_learning_has_come_is_said(part: float, said: str) -> None:
    assert said in circuit_words.learned(part)
