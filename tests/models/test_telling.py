"""When people are told of a fault that is sure: at once, after an hour of driving, or after some minutes.

The odds are written by hand, and no sample with a reading of the fluid follows, so that they stay so; hours
of driving are windows, and written by hand too.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any, get_args

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from models.circuit_alarm import AT_ONCE, STANDS_S, WARM_K
from models.fleet import CHART, Sensor, ThermalClass, Vehicle
from models.hypotheses import AIR, COUNT, FLOW, HEALTHY, LOW, OPEN, SHUT
from models.kernel import KINDS, STATE, advance
from models.layout import blank
from models.parameters import parameters
from models.thermal import DOUBTED
from models.thermal_parameters import MARGINS
from models.window import WINDOW_S
from tests.recorded import NOON_MS, records

STANDS = math.ceil(STANDS_S / WINDOW_S)
"""Windows for which a lack of cooling must have been sure."""

NEAR_C, WARM_C, USUAL_C = 119.0, 95.0, 80.0
"""Fluid near its limit and not dangerous; such as warms up under load; usual fluid [°C]."""

TRUCK = Vehicle(name="NF-01")
PERIOD_S = 10

WAIT = [("cooler_starved", AIR), ("cooler_starved", FLOW), ("heat_rejection_low", LOW)]
each_that_waits = pytest.mark.parametrize(("kind", "fault"), WAIT)
SETTLES_S = 360
"""Time after which what is to be told of has been told, on-delay and all [s]."""


def beyond(probability: float, times: float = 1.0) -> float:
    """Give the probability with so many times the odds."""
    odds = times * probability / (1.0 - probability)
    return odds / (1.0 + odds)


class Told:
    """A truck whose fluid was read once, and what people are told of it."""

    def __init__(
        self, vehicle: Vehicle = TRUCK, *, fluid_c: float = USUAL_C, load: bool = True
    ) -> None:
        self.params = parameters(vehicle, CHART, max_gap_s=300.0, silent_after_s=900.0)
        self.state, self.second, self.load = blank(STATE), 0, load
        self.active: set[str] = set()
        self.thermal: Any = self.state[0]["truck"]["thermal"]
        self.pass_s(0, fluid_temp_c=fluid_c)
        self.thermal["windows"] = 40

    def sure(self, kind: str) -> float:
        return float(self.params[0][kind]["sure" if self.load else "sure_guessed"])

    def odds(self, odds: dict[int, float]) -> None:
        """Write the odds down: of each fault its probability, the rest that of a sound truck."""
        self.thermal["p"] = 0.0
        self.thermal["p"][HEALTHY] = 1.0 - sum(odds.values())
        for fault, probability in odds.items():
            self.thermal["p"][fault] = probability

    def pass_s(self, seconds: int = PERIOD_S, **more: float) -> None:
        """Let seconds pass in which no window ends, or is told to have ended."""
        samples = []
        if self.load:
            more["engine_torque_nm"] = 400.0
        for second in range(self.second, self.second + seconds + 1, PERIOD_S):
            known = {"engine_rpm": 1800.0, "speed_km_h": 60.0, **more}
            samples.append({"time_ms": NOON_MS + 1000.0 * second, **known})
        self.second += seconds + PERIOD_S
        found = advance(self.params, self.state, 0, records(samples))
        for one in (event for each in found for event in each):
            change = self.active.add if one["active"] else self.active.discard
            change(KINDS[one["kind"]])

    def told(
        self, windows: int, odds: dict[int, float], *, seconds: int = SETTLES_S
    ) -> set[str]:
        """Drive on so many windows with these odds at their end; give what people have been told."""
        self.thermal["windows"] += windows
        self.odds(odds)
        self.pass_s(seconds)
        return self.active & set(MARGINS)


# An hour of driving.


@each_that_waits
@pytest.mark.parametrize("load", [True, False], ids=["load", "guessed"])
def test_a_lack_of_cooling_is_told_after_an_hour_of_driving_and_not_before(
    kind: str, fault: int, load: bool
) -> None:
    truck = Told(load=load)
    just = {fault: beyond(truck.sure(kind), 1.01)}
    for windows in (0, 1, STANDS - 2):
        assert truck.told(windows, just) == set()
    assert truck.told(1, just) == {kind}


def test_that_an_hour_goes_by_without_driving_makes_nothing_sure() -> None:
    truck = Told()
    just = {AIR: beyond(truck.sure("cooler_starved"), 1.01)}
    assert truck.told(0, just) == set()
    assert truck.told(0, just, seconds=2 * round(STANDS_S)) == set()
    truck.second += 10 * round(STANDS_S)
    assert truck.told(0, just) == set()
    assert truck.told(STANDS, just) == {"cooler_starved"}


@each_that_waits
def test_it_must_be_sure_when_it_is_told(kind: str, fault: int) -> None:
    truck = Told()
    just = {fault: beyond(truck.sure(kind), 1.01)}
    unsure = {fault: beyond(truck.sure(kind), 0.99)}
    truck.told(0, just)
    for _ in range(3):
        assert truck.told(STANDS, unsure) == set()
    assert truck.told(0, just) == {kind}


@each_that_waits
@pytest.mark.parametrize(("dip", "again"), [(DOUBTED - 0.01, True), (DOUBTED + 0.01, False)])
def test_the_hour_begins_again_where_it_was_doubted_and_not_where_it_was_only_less_sure(
    kind: str, fault: int, dip: float, again: bool
) -> None:
    truck = Told()
    just = {fault: beyond(truck.sure(kind), 1.01)}
    assert truck.told(0, just) == set()
    assert truck.told(STANDS - 2, {fault: dip}) == set()
    assert truck.told(1, just) == set()
    assert truck.told(1, just) == (set() if again else {kind})
    assert truck.told(STANDS - 2, just) == (set() if again else {kind})
    assert truck.told(1, just) == {kind}


def test_of_several_faults_that_are_sure_together_the_hour_is_one() -> None:
    truck = Told()
    just = beyond(truck.sure("cooler_starved"), 1.01)
    assert truck.told(0, {LOW: 0.6 * just, FLOW: 0.4 * just}) == set()
    assert truck.told(STANDS, {LOW: 0.1 * just, AIR: 0.9 * just}) == {"cooler_starved"}


# At once.


@each_that_waits
@pytest.mark.parametrize("load", [True, False], ids=["load", "guessed"])
def test_what_is_far_surer_is_told_at_once(kind: str, fault: int, load: bool) -> None:
    for times, told in ((0.99 * AT_ONCE, set()), (1.01 * AT_ONCE, {kind})):
        truck = Told(load=load)
        surely = {fault: beyond(truck.sure(kind), times)}
        assert truck.told(0, surely) == told


@each_that_waits
@pytest.mark.parametrize("load", [True, False], ids=["load", "guessed"])
def test_nor_does_anything_wait_where_the_fluid_is_warm(
    kind: str, fault: int, load: bool
) -> None:
    limit_c = float(Told().params[0][kind]["critical_c"])
    for fluid_c, times, told in (
        (limit_c - WARM_K - 0.1, 1.01, set()),
        (limit_c - WARM_K, 1.01, {kind}),
        (WARM_C, 0.99, set()),
    ):
        truck = Told(fluid_c=fluid_c, load=load)
        assert truck.told(0, {fault: beyond(truck.sure(kind), times)}) == told


@each_that_waits
@pytest.mark.parametrize("load", [True, False], ids=["load", "guessed"])
@pytest.mark.parametrize("thermal_class", get_args(ThermalClass))
def test_near_the_limit_nothing_waits(
    kind: str, fault: int, load: bool, thermal_class: ThermalClass
) -> None:
    vehicle = replace(TRUCK, thermal_class=thermal_class)
    for times, told in ((0.99, set()), (1.01, {kind})):
        truck = Told(vehicle, fluid_c=NEAR_C, load=load)
        near = float(truck.params[0][kind]["sure_near"])
        assert truck.told(0, {fault: beyond(near, times)}) == told


@pytest.mark.parametrize("fluid_c", [USUAL_C, WARM_C, NEAR_C])
@pytest.mark.parametrize("sensor", get_args(Sensor))
@pytest.mark.parametrize("thermal_class", get_args(ThermalClass))
def test_a_stuck_valve_waits_for_nothing(
    thermal_class: ThermalClass, sensor: Sensor, fluid_c: float
) -> None:
    vehicle = replace(TRUCK, thermal_class=thermal_class, sensor=sensor)
    for times, told in ((0.99, set()), (1.01, {"bypass_stuck"})):
        truck = Told(vehicle, fluid_c=fluid_c)
        assert (
            truck.told(0, {SHUT: beyond(truck.sure("bypass_stuck"), times)}, seconds=0) == told
        )


def test_nor_does_one_in_the_coolant() -> None:
    vehicle = replace(TRUCK, circuit="coolant_exchanger", coolant_valve=True)
    for fault in (SHUT, OPEN):
        for times, told in ((0.99, set()), (1.01, {"coolant_valve_stuck"})):
            truck = Told(vehicle)
            sure = truck.sure("coolant_valve_stuck")
            truck.pass_s(PERIOD_S, coolant_temp_c=USUAL_C - 10.0)
            assert truck.told(0, {fault: beyond(sure, times)}, seconds=0) == told


# Minutes.

OVERCOOLED_S = 180


def test_that_the_fluid_is_over_cooled_is_told_when_it_has_been_sure_for_three_minutes() -> (
    None
):
    truck = Told()
    sure = {OPEN: beyond(truck.sure("overcooled"), 1.01)}
    assert truck.told(0, sure, seconds=OVERCOOLED_S - PERIOD_S) == set()
    assert truck.told(0, sure, seconds=0) == {"overcooled"}


def test_driving_plays_no_part_in_that() -> None:
    truck = Told()
    sure = {OPEN: beyond(truck.sure("overcooled"), 1.01)}
    assert truck.told(0, sure, seconds=0) == set()
    assert truck.told(2 * STANDS, sure, seconds=OVERCOOLED_S - 2 * PERIOD_S) == set()


def test_the_three_minutes_begin_again_where_that_is_doubted() -> None:
    truck = Told()
    sure = {OPEN: beyond(truck.sure("overcooled"), 1.01)}
    assert truck.told(0, sure, seconds=OVERCOOLED_S - 2 * PERIOD_S) == set()
    assert truck.told(0, {OPEN: DOUBTED - 0.01}, seconds=0) == set()
    assert truck.told(0, sure, seconds=OVERCOOLED_S - PERIOD_S) == set()
    assert truck.told(0, sure, seconds=0) == {"overcooled"}


# Whatever the course.

DOUBTFUL, UNSURE, JUST, SURELY = "doubtful", "unsure", "just", "surely"
courses = st.lists(
    st.tuples(st.sampled_from([DOUBTFUL, UNSURE, JUST, SURELY]), st.integers(0, STANDS)),
    min_size=1,
    max_size=25,
)


@settings(max_examples=60, deadline=None)
@given(course=courses, fault=st.sampled_from([AIR, FLOW]), load=st.booleans())
@example(course=[(JUST, 0), (UNSURE, 60), (JUST, STANDS - 60)], fault=AIR, load=True)
@example(course=[(JUST, 0), (DOUBTFUL, 60), (JUST, STANDS - 60)], fault=AIR, load=True)
def test_a_lack_is_told_when_an_hour_has_gone_by_or_when_it_is_far_surer(
    course: list[tuple[str, int]], fault: int, load: bool
) -> None:
    truck, now, since = Told(load=load), 0, -1
    sure = truck.sure("cooler_starved")
    probability = {
        DOUBTFUL: DOUBTED - 0.01,
        UNSURE: 0.5 * (DOUBTED + sure),
        JUST: beyond(sure, 1.01),
        SURELY: beyond(sure, 1.01 * AT_ONCE),
    }
    for how, windows in course:
        now += windows
        if how == DOUBTFUL:
            since = -1
        elif how != UNSURE and since < 0:
            since = now
        stood = since >= 0 and now - since >= STANDS
        told = how == SURELY or (how == JUST and stood)
        found = truck.told(windows, {fault: probability[how]})
        assert found == ({"cooler_starved"} if told else set())
        if told:
            return


VEHICLES = [
    replace(TRUCK, thermal_class=thermal_class, sensor=sensor, **fitted)
    for thermal_class in get_args(ThermalClass)
    for sensor in get_args(Sensor)
    for fitted in (
        {"circuit": "thermostatic_bypass"},
        {"circuit": "full_flow"},
        {"circuit": "coolant_exchanger"},
        {"circuit": "coolant_exchanger", "coolant_valve": True},
        {"circuit": "radiator_tank"},
        {"circuit": "radiator_tank", "air_cooler": True},
    )
]


@settings(max_examples=150, deadline=None)
@given(
    vehicle=st.sampled_from(VEHICLES),
    weights=st.lists(st.floats(0.0, 1.0), min_size=COUNT, max_size=COUNT),
    fault=st.one_of(st.floats(0.85, 1.0 - 1e-5), st.floats(0.97, 1.0 - 1e-5)),
    left=st.sampled_from([0.1, 0.3]),
)
@example(
    vehicle=TRUCK, weights=[0.0, 0.45, 0.0, 0.0, 0.55, 0.0, 0.0, 0.0], fault=0.95, left=0.1
)
def test_away_from_the_limit_people_are_told_of_nothing_that_the_balance_does_not_take_for_told(
    vehicle: Vehicle, weights: list[float], fault: float, left: float
) -> None:
    truck = Told(vehicle)
    begins = truck.params[0]["thermal"]["bank"]["begins_per_h"]
    can = [place for place in (SHUT, LOW, OPEN, AIR, FLOW) if begins[place] > 0.0]
    total = sum(weights[place] for place in can)
    odds = {place: fault * weights[place] / total for place in can} if total > 0.0 else {}
    truck.thermal["share"] = left
    truck.told(0, odds)
    if truck.told(STANDS, odds):
        windows = int(truck.thermal["windows"])
        truck.pass_s(30, fluid_temp_c=USUAL_C, coolant_temp_c=90.0)
        assert truck.thermal["windows"] == windows + 1
        assert truck.thermal["told"] == 1
