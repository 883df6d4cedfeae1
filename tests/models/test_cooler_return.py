"""The line back from the cooler: what each fault makes of it, when it is judged, what the odds make of it."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
import pytest
from ht import effectiveness_from_NTU
from hypothesis import HealthCheck, assume, example, given, settings
from hypothesis import strategies as st

from models import priors
from models.bank import Bank, begin_bank, settle_bank, step_bank
from models.circuit import (
    AIR_C,
    COOLANT_C,
    FAULT,
    FLUID,
    LEAK,
    LN_UNITS,
    SINK,
    SINK_RISE_K,
    SITE,
    STATES,
    TANK_DROP_K,
    run,
)
from models.cooler import pumped
from models.cooler_return import comes_back_c, effectiveness
from models.fleet import Vehicle
from models.hypotheses import AIR, COUNT, FLOW, HEALTHY, LOW, NAMES, SHUT
from models.hypothesis_filter import predict
from models.layout import blank, dtype_of, record
from models.line_back import (
    LEAST_FLOW,
    LEAST_KM_H,
    LEAST_OVER_K,
    STUCK_K,
    LineBack,
    begin_back,
    judged_flow,
    note_back,
    take_up_back,
)
from models.thermal import DISCOUNT, SUSPECT
from models.window import LONG_STOP_S
from tests.models.banks import Floats, driving, params_of

LIBRARY: Callable[..., float] = effectiveness_from_NTU

unhurried = settings(
    max_examples=300,
    deadline=None,  # the first call compiles
    suppress_health_check=[HealthCheck.filter_too_much],  # many a moment drawn cannot be
)

BYPASS = Vehicle(name="NF-01", circuit="thermostatic_bypass")
FULL_FLOW = Vehicle(name="NF-01", circuit="full_flow")
EXCHANGER = Vehicle(name="NF-01", circuit="coolant_exchanger")
WITH_VALVE = Vehicle(name="NF-01", circuit="coolant_exchanger", coolant_valve=True)
TANK = Vehicle(name="NF-01", circuit="radiator_tank")
TANK_AND_AIR = Vehicle(name="NF-01", circuit="radiator_tank", air_cooler=True)

IN_AIR, IN_COOLANT = [BYPASS, FULL_FLOW], [EXCHANGER, WITH_VALVE, TANK]
HAVE_VALVE = [BYPASS, WITH_VALVE]


def called(vehicle: Vehicle) -> str:
    extra = "-valve" * vehicle.coolant_valve + "-air" * vehicle.air_cooler
    return f"{vehicle.circuit}{extra}"


def each(vehicles: list[Vehicle]) -> pytest.MarkDecorator:
    return pytest.mark.parametrize("vehicle", vehicles, ids=called)


# What a cooler takes.


@pytest.mark.parametrize("ln_scale", [-0.4, 0.0, 0.4])
@pytest.mark.parametrize("flow", [0.25, 0.6, 1.0, 1.1])
@pytest.mark.parametrize("used", [0.2, 0.56, 0.95])
def test_a_cooler_takes_what_its_transfer_units_do(
    used: float, flow: float, ln_scale: float
) -> None:
    """Against ``ht.effectiveness_from_NTU`` of a boiler, a sink that does not warm.

    Incropera and DeWitt, "Fundamentals of Heat and Mass Transfer", as ``ht`` cites them. The film's
    conductance goes with the flow to the power 0.3, the capacity rate with the flow.
    """
    usual_units = -math.log(1.0 - used)
    conductance, capacity = usual_units * math.exp(ln_scale) * flow**0.3, flow
    wanted = LIBRARY(conductance / capacity, 0.0, "boiler")
    assert effectiveness(used, flow, 1.0, ln_scale) == pytest.approx(wanted, rel=1e-9)


@each([FULL_FLOW, BYPASS, EXCHANGER, WITH_VALVE, TANK])
@pytest.mark.parametrize("ln_scale", [-0.4, 0.0, 0.4])
def test_a_sound_cooler_with_its_usual_air_or_coolant_takes_as_much(
    vehicle: Vehicle, ln_scale: float
) -> None:
    """By the same function of ``ht``, at 60 km/h and with any valve wide open."""
    params = params_of(vehicle).bank.circuit
    duty, x = driving(km_h=60.0, rpm=1200.0), np.zeros(STATES)
    x[FLUID], x[SINK], x[LN_UNITS] = 98.0, 1.5, ln_scale
    units = -math.log(1.0 - params.cooler_w_k / params.flow_w_k)
    units *= math.exp(ln_scale) * pumped(1200.0, 98.0) ** -0.7
    taken = LIBRARY(units, 0.0, "boiler") * (102.0 - sink_c(vehicle, duty, 1.5))
    assert comes_back_c(params, HEALTHY, duty, x, 1.0, 102.0) == pytest.approx(102.0 - taken)


def sink_c(vehicle: Vehicle, duty: Floats, warmer_k: float) -> float:
    """Write down again what each cooler gives its heat to [°C]."""
    if vehicle in IN_AIR:
        return float(duty[AIR_C] + SINK_RISE_K + warmer_k)
    return float(duty[COOLANT_C] + warmer_k - (TANK_DROP_K if vehicle == TANK else 0.0))


# What each fault makes of it.


class Moment(NamedTuple):
    """A moment of driving at which the line back is judged."""

    vehicle: Vehicle
    params: Any
    duty: Floats
    x: Floats
    share: float
    line_c: float

    def back_c(self, hypothesis: int, left: float = 0.5, share: float | None = None) -> float:
        """Line back under a hypothesis [°C]; ``left``: where its number lies between least and most [-]."""
        x = self.x.copy()
        low, high = priors.FAULTS[hypothesis, [priors.FAULT_LEAST, priors.FAULT_MOST]]
        x[FAULT] = low + left * (high - low)
        open_by = self.share if share is None else share
        return comes_back_c(self.params, hypothesis, self.duty, x, open_by, self.line_c)

    def sink_c(self) -> float:
        return sink_c(self.vehicle, self.duty, float(self.x[SINK]))


@st.composite
def moments(draw: st.DrawFn, vehicles: list[Vehicle]) -> Moment:
    """Draw a moment, the line hotter than the sink; all that is learned lies within what a truck can be."""

    def within(least: float, most: float) -> float:
        return draw(st.floats(least, most))

    vehicle = draw(st.sampled_from(vehicles))
    params = params_of(vehicle).bank.circuit
    duty = driving(
        air_c=within(-30.0, 45.0),
        coolant_c=within(40.0, 105.0),
        km_h=within(0.0, 120.0),
        rpm=within(500.0, 3000.0),
    )
    x = np.zeros(STATES)
    x[FLUID] = within(20.0, 140.0)
    for place in (SINK, LN_UNITS):
        x[place] = within(priors.LEAST[place], priors.MOST[place])
    share = within(LEAK, 1.0) if vehicle in HAVE_VALVE else 1.0
    line_c = float(x[FLUID]) + within(0.0, 15.0)
    assume(judged(params, duty, x, share, line_c) > 0.0)
    return Moment(vehicle, params, duty, x, share, line_c)


def judged(
    params: Any,
    duty: Floats,
    x: Floats,
    share: float,
    line_c: float,
    *,
    back_c: float | None = None,
) -> float:
    """Give the flow that the line back is judged at, by default 5 K below the line to the cooler [-]."""
    line_back = begun_back()
    note_back(line_back, line_c, math.nan)
    read_c = line_c - 5.0 if back_c is None else back_c
    return judged_flow(params, line_back, duty, x, share, line_c, read_c)


HEALTHY_ONLY = np.eye(COUNT)[HEALTHY]


def begun_back() -> Any:
    line_back = record(blank(dtype_of(LineBack)))
    begin_back(line_back)
    return line_back


lefts = st.floats(0.0, 1.0)


def fast_and_big() -> Moment:
    """Give a moment with more air than at 60 km/h, little flow, and a cooler that takes much."""
    duty, x = driving(km_h=90.0, rpm=2400.0), np.zeros(STATES)
    x[FLUID], x[LN_UNITS] = 95.0, priors.MOST[LN_UNITS]
    return Moment(BYPASS, params_of(BYPASS).bank.circuit, duty, x, 0.36, 97.0)


def test_that_moment_is_one_that_is_judged() -> None:
    moment = fast_and_big()
    assert judged(moment.params, moment.duty, moment.x, moment.share, moment.line_c) > 0.0


@unhurried
@given(moment=moments(IN_AIR), left=lefts)
def test_starved_of_air_it_comes_back_hotter(moment: Moment, left: float) -> None:
    assert moment.back_c(AIR, left) > moment.back_c(HEALTHY)


@unhurried
@given(moment=moments([*IN_AIR, *IN_COOLANT]), left=lefts)
@example(moment=fast_and_big(), left=0.0)
def test_starved_of_fluid_it_comes_back_colder(moment: Moment, left: float) -> None:
    assert moment.back_c(FLOW, left) < moment.back_c(HEALTHY)


@unhurried
@given(moment=moments([BYPASS]), left=lefts)
@example(moment=fast_and_big(), left=0.0)
def test_past_a_bypass_valve_that_stuck_part_way_it_comes_back_colder(
    moment: Moment, left: float
) -> None:
    assert moment.back_c(LOW, left) < moment.back_c(HEALTHY)


@unhurried
@given(moment=moments([FULL_FLOW, *IN_COOLANT]), left=lefts)
def test_a_cause_that_is_not_known_is_taken_to_leave_it_as_it_is(
    moment: Moment, left: float
) -> None:
    assert moment.back_c(LOW, left) == moment.back_c(HEALTHY)


@unhurried
@given(moment=moments([WITH_VALVE]))
def test_past_a_coolant_valve_that_is_shut_it_comes_back_hotter(moment: Moment) -> None:
    assume(moment.share > 2.0 * LEAK)  # else the sound valve is as good as shut
    assert moment.back_c(SHUT, share=LEAK) > moment.back_c(HEALTHY)


@pytest.mark.parametrize("hypothesis", [HEALTHY, AIR, FLOW, LOW, SHUT], ids=NAMES.__getitem__)
@unhurried
@given(moment=moments([*IN_AIR, *IN_COOLANT]), left=lefts)
def test_it_comes_back_no_hotter_than_it_went(
    hypothesis: int, moment: Moment, left: float
) -> None:
    assert moment.back_c(hypothesis, left, _share(moment, hypothesis)) <= moment.line_c


@pytest.mark.parametrize("hypothesis", [HEALTHY, AIR, FLOW, LOW, SHUT], ids=NAMES.__getitem__)
@unhurried
@given(moment=moments([*IN_AIR, *IN_COOLANT]), left=lefts)
@example(moment=fast_and_big(), left=0.0)
def test_it_comes_back_no_colder_than_the_sink(
    hypothesis: int, moment: Moment, left: float
) -> None:
    rounding_k = 1e-9
    back_c = moment.back_c(hypothesis, left, _share(moment, hypothesis))
    assert back_c >= moment.sink_c() - rounding_k


def _share(moment: Moment, hypothesis: int) -> float:
    """How far the valve is open under a hypothesis [-]."""
    return LEAK if hypothesis == SHUT and moment.vehicle in HAVE_VALVE else moment.share


# When it is judged.


def flow_of(
    vehicle: Vehicle,
    share: float = 1.0,
    km_h: float = 70.0,
    rpm: float = 1700.0,
    line_c: float = 95.0,
    back_c: float | None = None,
) -> float:
    params, x = params_of(vehicle).bank.circuit, np.zeros(STATES)
    x[FLUID] = 95.0
    duty = driving(air_c=25.0, coolant_c=70.0, km_h=km_h, rpm=rpm)
    return judged(params, duty, x, share, line_c, back_c=back_c)


@each([*IN_AIR, *IN_COOLANT])
def test_on_the_road_with_the_valve_open_it_is_judged_by_the_pumps_flow(
    vehicle: Vehicle,
) -> None:
    assert flow_of(vehicle) == pytest.approx(pumped(1700.0, 95.0))


@each(IN_AIR)
@pytest.mark.parametrize("km_h", [0.0, LEAST_KM_H - 1.0])
def test_a_cooler_in_the_air_is_not_judged_while_the_truck_stands_or_crawls(
    vehicle: Vehicle, km_h: float
) -> None:
    assert flow_of(vehicle, km_h=km_h) == 0.0 < flow_of(vehicle, km_h=LEAST_KM_H)


@each(IN_COOLANT)
def test_a_cooler_in_the_coolant_is_judged_at_standstill_too(vehicle: Vehicle) -> None:
    assert flow_of(vehicle, km_h=0.0, rpm=700.0) > 0.0


@each([*IN_AIR, *IN_COOLANT])
def test_with_the_pump_at_rest_it_is_not_judged(vehicle: Vehicle) -> None:
    assert flow_of(vehicle, rpm=0.0) == 0.0


def test_behind_a_bypass_valve_that_is_hardly_open_it_is_not_judged() -> None:
    flows = [flow_of(BYPASS, share) for share in (LEAK, 0.2, 0.3, 0.5, 1.0)]
    assert flows[:3] == [0.0, 0.0, 0.0]
    assert LEAST_FLOW < flows[3] < flows[4]


@each([*IN_AIR, *IN_COOLANT])
def test_a_line_hardly_warmer_than_what_cools_it_is_not_judged(vehicle: Vehicle) -> None:
    sink_c = 25.0 + SINK_RISE_K if vehicle in IN_AIR else 70.0 - TANK_DROP_K * (vehicle == TANK)
    assert flow_of(vehicle, line_c=sink_c + LEAST_OVER_K - 0.1) == 0.0
    assert flow_of(vehicle, line_c=sink_c + LEAST_OVER_K) > 0.0


@each([*IN_AIR, *IN_COOLANT])
@pytest.mark.parametrize(
    ("back_c", "believed"),
    [(-40.0, False), (25.0, False), (75.0, True), (95.0, True), (97.0, False), (300.0, False)],
)
def test_a_line_back_that_cannot_be_is_not_judged(
    vehicle: Vehicle, back_c: float, believed: bool
) -> None:
    assert (flow_of(vehicle, back_c=back_c) > 0.0) == believed


def test_one_that_stays_while_the_line_to_the_cooler_moves_is_its_sensors() -> None:
    line_back, there = begun_back(), [80.0, 80.0 + STUCK_K, 80.1, 80.0]
    moved = []
    for to_c, back_c in zip(there, [60.0, 60.0, math.nan, 60.1], strict=True):
        note_back(line_back, to_c, back_c)
        moved.append(float(line_back.unmoved_k))
    assert moved == pytest.approx([0.0, STUCK_K, 2.0 * STUCK_K - 0.1, 0.0])
    # A gap takes nothing back.
    note_back(line_back, 80.0 + 2.0 * STUCK_K, 60.1)
    take_up_back(line_back, 20.0, 20.0, LONG_STOP_S, HEALTHY_ONLY.copy())
    assert line_back.unmoved_k > STUCK_K


@pytest.mark.parametrize(
    ("apart_k", "gap_s", "wrong"),
    [
        (1.0, LONG_STOP_S, 0),
        (8.0, LONG_STOP_S, 1),
        (-8.0, LONG_STOP_S, 1),
        (8.0, 3600.0, 0),
        (math.nan, LONG_STOP_S, 0),
    ],
)
def test_after_a_night_both_lines_must_agree(apart_k: float, gap_s: float, wrong: int) -> None:
    line_back = begun_back()
    take_up_back(line_back, 5.0, 5.0 + apart_k, gap_s, HEALTHY_ONLY.copy())
    assert line_back.wrong == wrong
    take_up_back(line_back, 5.0, 5.5, LONG_STOP_S, HEALTHY_ONLY.copy())
    assert line_back.wrong == 0


def test_of_two_coolers_in_a_row_it_is_not_judged() -> None:
    assert flow_of(TANK_AND_AIR) == 0.0


# What the odds make of it.

HEAT_SD_KW, LASTING_SD_KW = 0.5, 0.3
OWN_EFFECT = 0.2
"""What the cooler of the truck that is driven here takes, ln of the scale [-]: half of the prior's spread."""

NO_NOISE = np.zeros(3)

SOME_HOURS, QUARTER_HOUR = 360, 30
"""Windows of half a minute."""


def begun(vehicle: Vehicle = FULL_FLOW) -> tuple[Any, Any]:
    params, bank = params_of(vehicle).bank, record(blank(dtype_of(Bank)))
    begin_bank(params, bank, 60.0)
    settle_bank(params, bank, 60.0, False, False, 0.0)
    return params, bank


def foretold(params: Any, bank: Any, duty: Floats) -> Floats:
    """What the healthy filter is about to foretell, shape (``STATES``,)."""
    x = bank.x[:STATES].copy()
    cov = bank.cov[: STATES * STATES].reshape(STATES, STATES).copy()
    valve = bank.valve[:2].copy()
    predict(params.circuit, HEALTHY, True, duty, HEAT_SD_KW, LASTING_SD_KW, 1.0, x, cov, valve)
    return np.asarray(x)


def some_road(random: np.random.Generator) -> Floats:
    """Draw driving at which the line back is judged."""
    return driving(
        heat_kw=random.uniform(4.0, 14.0),
        km_h=random.uniform(50.0, 90.0),
        rpm=random.uniform(1000.0, 2400.0),
    )


def drive(
    params: Any,
    bank: Any,
    windows: int,
    truth: int = HEALTHY,
    own: float = OWN_EFFECT,
    read: bool = True,
    off_k: float = 0.0,
    only_c: float = math.nan,
) -> None:
    """Drive with fluid and line to the cooler as foretold of a sound truck: only the line back tells.

    The road changes every three minutes. The line back's sensor is off by ``off_k`` [K], or reads ``only_c``.
    """
    random, duty = np.random.default_rng(7), driving()
    for window in range(windows):
        if window % 6 == 0:
            duty = some_road(random)
        x = foretold(params, bank, duty)
        back_c = line_back_c(params, bank, duty, x, truth, own, read) + off_k
        drive_window(params, bank, duty, x, back_c if math.isnan(only_c) else only_c)
        assert bank.off_k == pytest.approx(0.0, abs=1e-9)  # the fluid was as foretold


def line_back_c(
    params: Any, bank: Any, duty: Floats, x: Floats, truth: int, own: float, read: bool
) -> float:
    """Line back of a truck with this effect of its own and this fault [°C]."""
    x = x.copy()
    x[LN_UNITS], x[FAULT] = own, priors.FAULTS[truth, priors.FAULT_MEAN]
    line_c = float(x[SITE])
    share = max(LEAK, float(bank.valve[1]))
    return comes_back_c(params.circuit, truth, duty, x, share, line_c) if read else math.nan


def told(bank: Any, fault: int) -> float:
    """Probability of a fault as it is told [-]."""
    odds = 1.0 / (DISCOUNT * bank.p[HEALTHY] + 1.0 - bank.p[HEALTHY])
    return float(odds * bank.p[fault] * (DISCOUNT if fault == HEALTHY else 1.0))


def drive_window(
    params: Any, bank: Any, duty: Floats, x: Floats, back_c: float, noise_k: Floats = NO_NOISE
) -> None:
    fluid_c, line_c = float(x[FLUID] + noise_k[0]), float(x[SITE] + noise_k[1])
    step_bank(params, bank, duty, HEAT_SD_KW, LASTING_SD_KW, 1.0, fluid_c, line_c, back_c, True)


def effect_of(bank: Any) -> tuple[float, float]:
    """What the healthy filter holds of the truck's own effect, and how sure it is."""
    variance = bank.cov[: STATES * STATES].reshape(STATES, STATES)[LN_UNITS, LN_UNITS]
    return float(bank.x[LN_UNITS]), math.sqrt(variance)


def test_a_trucks_own_effect_is_learned_while_it_is_sound() -> None:
    params, bank = begun()
    before, before_sd = effect_of(bank)
    drive(params, bank, SOME_HOURS)
    learned, sd = effect_of(bank)
    assert before == 0.0
    assert learned == pytest.approx(OWN_EFFECT, abs=0.05)
    assert sd < 0.5 * before_sd


@pytest.mark.parametrize("own", [-0.6, -0.4, 0.0, OWN_EFFECT, 0.4, 0.6])
def test_whatever_its_own_effect_a_sound_truck_is_not_suspected(own: float) -> None:
    params, bank = begun()
    for _ in range(SOME_HOURS // QUARTER_HOUR):
        drive(params, bank, QUARTER_HOUR, own=own)
        assert bank.p[HEALTHY] > SUSPECT
    assert bank.p[HEALTHY] > 0.99


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("own", [-0.6, -0.4, 0.0, OWN_EFFECT, 0.4, 0.6])
def test_nor_accused_on_a_road_that_never_changes(own: float, seed: int) -> None:
    # There less heat made and a starved cooler explain fluid and line back together.
    random, duty = np.random.default_rng(seed), driving()
    params, bank = begun()
    for _ in range(SOME_HOURS):
        x = foretold(params, bank, duty)
        back_c = line_back_c(params, bank, duty, x, HEALTHY, own, read=True)
        for place in (FLUID, SITE):
            x[place] += random.normal(scale=priors.READING_SD_K)
        drive_window(params, bank, duty, x, back_c + random.normal(scale=priors.READING_SD_K))
        assert told(bank, HEALTHY) > SUSPECT


def told_after(truth: int, *, read: bool) -> list[float]:
    """Drive a sound truck for some hours, then with the fault, a night between; what is told by windows.

    Fluid and lines are those of a truck that the balance itself has, with the fault's usual number.
    """
    random, duty = np.random.default_rng(5), driving()
    params, bank = begun()
    x, valve, hypothesis, said = bank.x[:STATES].copy(), bank.valve[:2].copy(), HEALTHY, []
    x[LN_UNITS], x[FAULT] = OWN_EFFECT, priors.FAULTS[truth, priors.FAULT_MEAN]
    for window in range(SOME_HOURS + 3 * QUARTER_HOUR):
        if window % 6 == 0:
            duty = some_road(random)
        if window == SOME_HOURS:
            hypothesis = truth
        if window == SOME_HOURS + QUARTER_HOUR:
            take_up_back(bank.line_back, 20.0, 20.0, LONG_STOP_S, bank.p)
        run(params.circuit, hypothesis, duty, x, valve)
        to_c = float(x[SITE])
        back_c = (
            comes_back_c(params.circuit, hypothesis, duty, x, 1.0, to_c) if read else math.nan
        )
        noise = random.normal(scale=priors.READING_SD_K, size=3)
        drive_window(params, bank, duty, x, back_c + noise[2], noise_k=noise)
        if window >= SOME_HOURS:
            said.append(told(bank, truth))
    return said


@pytest.mark.parametrize("truth", [AIR, FLOW], ids=NAMES.__getitem__)
def test_a_starved_cooler_is_told_sooner_where_the_line_back_is_read(truth: int) -> None:
    def windows_until_told(*, read: bool) -> int:
        said = told_after(truth, read=read)
        return next((at for at, one in enumerate(said) if one > 0.99), len(said))

    with_it, without = windows_until_told(read=True), windows_until_told(read=False)
    assert with_it < 2 * QUARTER_HOUR
    assert with_it < without


@pytest.mark.parametrize("off_k", [-8.0, -4.0, 4.0, 8.0])
@each([FULL_FLOW, BYPASS])
def test_a_return_sensor_that_is_off_accuses_no_sound_truck(
    vehicle: Vehicle, off_k: float
) -> None:
    params, bank = begun(vehicle)
    drive(params, bank, SOME_HOURS)
    for _ in range(6):
        drive(params, bank, QUARTER_HOUR, off_k=off_k)
        assert told(bank, HEALTHY) > SUSPECT
    take_up_back(bank.line_back, 20.0, 20.0 + off_k, LONG_STOP_S, bank.p)
    drive(params, bank, SOME_HOURS, off_k=off_k)
    assert told(bank, HEALTHY) > SUSPECT


def test_what_a_line_back_had_said_is_taken_back_once_it_is_found_wrong() -> None:
    said_not, said = HEALTHY_ONLY.copy(), HEALTHY_ONLY.copy()
    said_not[[HEALTHY, AIR, FLOW]] = 0.98, 0.015, 0.005
    said[:] = said_not * np.exp([0.0, 0.0, 0.0, 0.0, 22.0, 3.0, 0.0, 0.0])
    said /= said.sum()
    line_back = begun_back()
    line_back.said[[AIR, FLOW]] = 22.0, 3.0
    take_up_back(line_back, 5.0, 15.0, LONG_STOP_S, said)
    assert said == pytest.approx(said_not, rel=1e-9)
    assert not line_back.said.any()


@each([FULL_FLOW, BYPASS])
def test_nor_does_one_that_is_stuck_or_hangs_in_the_air(vehicle: Vehicle) -> None:
    for read_c in (60.0, 27.0):
        params, bank = begun(vehicle)
        drive(params, bank, SOME_HOURS)
        for _ in range(8):
            drive(params, bank, QUARTER_HOUR, only_c=read_c)
            take_up_back(bank.line_back, read_c, read_c, LONG_STOP_S, bank.p)
            assert told(bank, HEALTHY) > SUSPECT


@pytest.mark.parametrize("truth", [AIR, FLOW], ids=NAMES.__getitem__)
def test_without_the_reading_a_fluid_as_foretold_accuses_nobody(truth: int) -> None:
    params, bank = begun()
    drive(params, bank, SOME_HOURS)
    drive(params, bank, QUARTER_HOUR, truth, read=False)
    assert bank.p[HEALTHY] > 0.99


@pytest.mark.parametrize("truth", [AIR, FLOW], ids=NAMES.__getitem__)
def test_once_suspected_a_fault_is_not_learned_as_the_trucks_own(truth: int) -> None:
    params, bank = begun()
    drive(params, bank, SOME_HOURS)
    drive(params, bank, QUARTER_HOUR, truth)
    suspected, _ = effect_of(bank)
    drive(params, bank, 4 * QUARTER_HOUR, truth)
    assert effect_of(bank)[0] == suspected


def odds_after(prior_sd: float, *, read: bool) -> Floats:
    """Drive through windows of any kind with a prior of the effect; a line to the cooler in all of them."""
    random = np.random.default_rng(11)
    params, bank = begun()
    covs = bank.cov.reshape(COUNT, STATES, STATES)
    covs[:, LN_UNITS, LN_UNITS] = prior_sd**2
    for _ in range(QUARTER_HOUR):
        duty = some_road(random)
        fluid_c = float(foretold(params, bank, duty)[FLUID] + random.normal(scale=0.5))
        back_c = fluid_c - random.uniform(5.0, 40.0) if read else math.nan
        step_bank(params, bank, duty, 0.5, 0.3, 1.0, fluid_c, fluid_c + 1.0, back_c, True)
    return np.asarray(bank.p.copy())


def test_where_the_line_back_is_not_read_its_prior_is_nothing_to_the_odds() -> None:
    narrow, wide = priors.FLOOR_SD[LN_UNITS], 2.0 * priors.SD[LN_UNITS]
    assert (odds_after(narrow, read=False) == odds_after(wide, read=False)).all()
    assert (odds_after(narrow, read=True) != odds_after(wide, read=True)).any()


@pytest.mark.parametrize(
    ("vehicle", "km_h", "rpm"),
    [(FULL_FLOW, 0.0, 700.0), (FULL_FLOW, 70.0, 0.0), (TANK_AND_AIR, 70.0, 1700.0)],
    ids=["standing", "pump-at-rest", "two-coolers"],
)
def test_a_reading_that_is_not_judged_changes_nothing(
    vehicle: Vehicle, km_h: float, rpm: float
) -> None:
    duty = driving(coolant_c=25.0, km_h=km_h, rpm=rpm)
    assert after_two(vehicle, duty, 45.0) == after_two(vehicle, duty, math.nan)


@each([FULL_FLOW, TANK])
def test_and_one_that_is_judged_does(vehicle: Vehicle) -> None:
    duty = driving(coolant_c=25.0)
    assert after_two(vehicle, duty, 45.0) != after_two(vehicle, duty, math.nan)


def judgement(bank: Any) -> bytes:
    """Give all of a bank but the readings that it keeps."""
    begin_back(bank.line_back)
    return bytes(bank.tobytes())


def after_two(vehicle: Vehicle, duty: Floats, back_c: float) -> bytes:
    """Give the bank after two windows, in the second of which the line back was read."""
    params, bank = begun(vehicle)
    for read_c in (math.nan, back_c):
        step_bank(params, bank, duty, 0.5, 0.3, 1.0, 60.0, 60.0, read_c, True)
    return judgement(bank)


def test_in_the_first_window_after_a_gap_it_is_not_judged() -> None:
    # How fast the line to the cooler changes, and so how far the line back lags, is not known yet.
    def after_one(back_c: float) -> bytes:
        params, bank = begun()
        step_bank(params, bank, driving(), 0.5, 0.3, 1.0, 60.0, 60.0, back_c, True)
        return judgement(bank)

    assert after_one(45.0) == after_one(math.nan)
