"""The last stretches of driving: runs abreast, readings made of them, the odds of a fault, and what is left.

The trucks are simulated by the project's own physics (``models.circuit``), with values, errors and faults
that are known: what is tested is what the stretches make of them. Normal deviates by numpy, seeded.
"""

from __future__ import annotations

import math
from typing import Any, get_args

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models import priors
from models.abreast import (
    FAULTS,
    HEAT,
    HELD,
    NUMBERS,
    RISE,
    RUNS,
    SINK_C,
    STEPS,
    VALUES,
    VALVE,
    add_parted,
    run_abreast,
    set_out_abreast,
)
from models.balance_error import UNTOLD, WARM_C, error_times
from models.circuit import (
    CONVERTER_W,
    FAULT,
    FLUID,
    LEAK,
    METAL,
    SINK,
    SITE,
    STATES,
    SUMP,
    read_at,
    regulates,
    run,
)
from models.cooler import conductance_w_k
from models.fleet import Sensor, Vehicle
from models.hypotheses import (
    AIR,
    COUNT,
    FLOW,
    HEALTHY,
    LOW,
    NAMES,
    OPEN,
    SENSOR,
    SHUT,
    SLIP,
)
from models.layout import blank, dtype_of, record
from models.least_squares import COLUMNS, OWN, RIGHT, ROWS, SIZE, SQUARE, at
from models.share_left import share_left
from models.stretch_odds import LOOKED_H, MOST_LN, any_odds, tell_odds
from models.stretches import (
    BLOCK,
    FADES,
    FINE,
    KEPT,
    LASTS_S,
    LEAST,
    LEAST_SIZE,
    MOST,
    PAUSE_S,
    SIZE_SD,
    WILD,
    Stretches,
    foretold_c,
    look_along,
    set_out_again,
)
from tests.models.banks import Floats, driving, params_of

unhurried = settings(max_examples=60, deadline=None)  # the first call compiles

seeds = st.integers(0, 2**32 - 1)

BYPASS = Vehicle(name="NF-01", circuit="thermostatic_bypass")
FULL_FLOW = Vehicle(name="NF-01", circuit="full_flow")
EXCHANGER = Vehicle(name="NF-01", circuit="coolant_exchanger")
WITH_VALVE = Vehicle(name="NF-01", circuit="coolant_exchanger", coolant_valve=True)
TANK = Vehicle(name="NF-01", circuit="radiator_tank")
TANK_AND_AIR = Vehicle(name="NF-01", circuit="radiator_tank", air_cooler=True)

CIRCUITS = [BYPASS, FULL_FLOW, EXCHANGER, WITH_VALVE, TANK, TANK_AND_AIR]
TRUCKS = [
    Vehicle(
        name="NF-01",
        circuit=one.circuit,
        sensor=sensor,
        coolant_valve=one.coolant_valve,
        air_cooler=one.air_cooler,
    )
    for one in CIRCUITS
    for sensor in get_args(Sensor)
]

COLUMN_OF = {int(fault): OWN + place for place, fault in enumerate(FAULTS)}

WINDOW_S = 30.0
NIGHT_S = 12.0 * 3600.0
HALF_OF_AIR = math.log(0.5)


def called(vehicle: Vehicle) -> str:
    extra = "-valve" * vehicle.coolant_valve + "-air" * vehicle.air_cooler
    return f"{vehicle.circuit}{extra}-{vehicle.sensor}"


def each(vehicles: list[Vehicle]) -> pytest.MarkDecorator:
    return pytest.mark.parametrize("vehicle", vehicles, ids=called)


class Truck:
    """A truck that is driven: what it is, what it reads, and what the stretches make of that."""

    def __init__(
        self,
        vehicle: Vehicle,
        seed: int,
        *,
        own: Floats | None = None,
        errs: float = 1.0,
    ) -> None:
        """``own``: its values, by default the prior's; ``errs``: its error as a multiple of that stated."""
        params = params_of(vehicle)
        self.circuit = params.bank.circuit
        self.begins_per_h = params.bank.begins_per_h
        self.error_sd_k = float(params.error_sd_k)
        self.stretches = record(blank(dtype_of(Stretches)))
        self.random = np.random.default_rng(seed)
        self.own = np.zeros(OWN) if own is None else own
        self.errs = errs
        self.x, self.valve, self.error_k = np.zeros(STATES), np.zeros(2), 0.0

    @property
    def odds(self) -> Floats:
        return np.asarray(self.stretches.odds)

    @property
    def rows(self) -> Floats:
        """Sums: all before, then each stretch."""
        return np.asarray(self.stretches.sums.reshape(KEPT + 1, SIZE))

    def set_out(self, fluid_c: float, gap_s: float = NIGHT_S) -> None:
        """Begin to drive after a gap, all as warm as the fluid."""
        self.x[:] = 0.0
        self.x[VALUES] = self.own
        self.x[[FLUID, METAL, SITE]] = fluid_c
        self.valve[:] = fluid_c, 0.0
        self.error_k = 0.0
        set_out_again(self.circuit, self.stretches, fluid_c, fluid_c, gap_s)

    def window(
        self,
        duty: Floats,
        error_k: float,
        hypothesis: int = HEALTHY,
        number: float = 0.0,
        *,
        counts: bool = True,
        untold: bool = False,
    ) -> None:
        """Drive a window; the reading is off by an error [K]."""
        self.x[FAULT] = number
        run(self.circuit, hypothesis, duty, self.x, self.valve)
        fluid_c = self.x[read_at(self.circuit)] + error_k
        begins, stated = self.begins_per_h, self.error_sd_k
        look_along(self.circuit, begins, stated, self.stretches, duty, fluid_c, counts, untold)

    def errs_on(self) -> float:
        """Give the error a window later [K]: AR(1), as long and large as is stated."""
        kept = math.exp(-WINDOW_S / LASTS_S)
        new = math.sqrt(1.0 - kept * kept) * self.random.standard_normal()
        self.error_k = kept * self.error_k + self.errs * self.error_sd_k * new
        return self.error_k

    def drive(
        self,
        hypothesis: int = HEALTHY,
        number: float = 0.0,
        *,
        hours: float = 2.0,
        more_heat: float = 0.0,
        sink_k: float = 0.0,
        air_c: tuple[float, float] = (-5.0, 35.0),
        counts: bool = True,
    ) -> float:
        """Drive after a night, load and speed changing every five to twenty minutes.

        ``more_heat``, ``sink_k``: by how much the truck has changed, ln of the heat's scale [-], sink [K].
        Gives the highest odds of any fault on the way.
        """
        random, highest = self.random, 0.0
        air = random.uniform(*air_c)
        self.set_out(air)
        self.x[VALUES[HEAT]] += more_heat
        self.x[SINK] += sink_k
        duty, left = driving(), 0
        for _ in range(round(hours * 3600.0 / WINDOW_S)):
            if left == 0:
                left = int(random.integers(10, 40))
                duty = driving(
                    heat_kw=random.uniform(3.0, 16.0),
                    air_c=air,
                    km_h=random.uniform(15.0, 100.0),
                    rpm=random.uniform(1100.0, 2300.0),
                )
            left -= 1
            self.window(duty, self.errs_on(), hypothesis, number, counts=counts)
            highest = max(highest, any_odds(self.stretches.odds))
        return highest


def some_truck(vehicle: Vehicle, seed: int, *, errs: float = 1.0) -> Truck:
    """Give a truck whose values are off the prior as those of trucks are."""
    random = np.random.default_rng(1000 + seed)
    own = 0.7 * priors.SD[VALUES] * random.standard_normal(OWN)
    return Truck(vehicle, seed, own=own, errs=errs)


def known_truck(vehicle: Vehicle, seed: int) -> Truck:
    """Give a truck that has been driven for some days."""
    truck = some_truck(vehicle, seed)
    for _ in range(4):
        truck.drive()
    return truck


# The runs abreast.


def drawn_window(random: np.random.Generator) -> Floats:
    return driving(
        span_s=random.choice([28.0, 30.0, 60.0]),
        heat_kw=random.uniform(0.0, 30.0),
        air_c=random.uniform(-20.0, 40.0),
        coolant_c=random.uniform(20.0, 105.0),
        km_h=random.uniform(0.0, 110.0),
        rpm=random.uniform(700.0, 2900.0),
    )


def alone(
    params: Any, duties: list[Floats], own: Floats, fluid_c: float, column: int | None
) -> Floats:
    """Run the circuit by itself, one column a step further, through windows; give the readings [°C]."""
    x, valve, hypothesis = np.zeros(STATES), np.array([fluid_c, 0.0]), HEALTHY
    x[[FLUID, METAL, SITE]] = fluid_c
    x[VALUES] = own
    if column is not None and column < OWN:
        x[VALUES[column]] += STEPS[column]
    elif column is not None:
        hypothesis, x[FAULT] = int(FAULTS[column - OWN]), NUMBERS[column - OWN]
    read = []
    for duty in duties:
        run(params, hypothesis, duty, x, valve)
        read.append(x[read_at(params)])
    return np.array(read)


def place_read(vehicle: Vehicle) -> int:
    """Give where the fluid is read among what is held of a run."""
    return 0 if vehicle.sensor == "sump" else 2


def means_something(params: Any, column: int) -> bool:
    if column == RISE:
        return bool(params.site != SUMP)
    of_valve = column == VALVE or (column >= OWN and FAULTS[column - OWN] in (OPEN, SHUT))
    return regulates(params) or not of_valve


@each(TRUCKS)
@settings(max_examples=5, deadline=None)
@given(seed=seeds, windows=st.integers(1, 40))
def test_a_slope_is_what_a_run_with_that_value_moved_gives(
    vehicle: Vehicle, seed: int, windows: int
) -> None:
    random, params = np.random.default_rng(seed), params_of(vehicle).bank.circuit
    own = 0.5 * priors.SD[VALUES] * random.standard_normal(OWN)
    duties = [drawn_window(random) for _ in range(windows)]
    fluid_c, off_k = random.uniform(-10.0, 110.0), random.normal()
    runs, weights = np.zeros((RUNS, HELD)), random.uniform(1.0, 60.0, size=windows)
    set_out_abreast(runs, fluid_c, fluid_c, False)
    sums = np.zeros(RUNS)
    usual = alone(params, duties, own, fluid_c, None)
    for duty, weight, read_c in zip(duties, weights, usual, strict=True):
        run_abreast(params, own, duty, runs)
        add_parted(runs, place_read(vehicle), read_c + off_k, weight, sums)
    assert sums[0] == pytest.approx(off_k * weights.sum())
    for column in range(COLUMNS):
        moved = usual
        if means_something(params, column):
            moved = alone(params, duties, own, fluid_c, column)
        step = STEPS[column] if column < OWN else 1.0
        assert sums[1 + column] == pytest.approx(weights @ (moved - usual) / step, abs=1e-6)


@each(TRUCKS)
def test_what_means_nothing_for_a_circuit_has_no_slope_and_the_rest_has(
    vehicle: Vehicle,
) -> None:
    random, params = np.random.default_rng(3), params_of(vehicle).bank.circuit
    runs, sums = np.zeros((RUNS, HELD)), np.zeros(RUNS)
    set_out_abreast(runs, 20.0, 20.0, False)
    for _ in range(200):
        run_abreast(params, np.zeros(OWN), drawn_window(random), runs)
        add_parted(runs, place_read(vehicle), 60.0, 1.0, sums)
    no_air = not vehicle.air_cooler and vehicle.circuit in (
        "coolant_exchanger",
        "radiator_tank",
    )
    for column in range(COLUMNS):
        if not means_something(params, column) or (no_air and column == COLUMN_OF[AIR]):
            assert sums[1 + column] == 0.0
        else:
            assert sums[1 + column] != 0.0


celsius = st.floats(-30.0, 130.0)


@given(seed=seeds, sump_c=celsius, fluid_c=celsius, goes_on=st.booleans())
def test_once_set_out_all_runs_agree(
    seed: int, sump_c: float, fluid_c: float, goes_on: bool
) -> None:
    runs = np.random.default_rng(seed).uniform(0.0, 100.0, size=(RUNS, HELD))
    set_out_abreast(runs, sump_c, fluid_c, goes_on)
    assert (runs == runs[0]).all()
    assert (runs[0, 0], runs[0, 2]) == (sump_c, fluid_c)


def after_pause(gap_s: float) -> tuple[Truck, Floats]:
    """Give a warm truck that sets out again after a pause, and its runs before that."""
    truck = Truck(BYPASS, 1)
    truck.set_out(20.0)
    for _ in range(60):
        truck.window(driving(heat_kw=14.0), 0.0)
    before = truck.stretches.runs.reshape(RUNS, HELD)[0].copy()
    fluid_c = float(before[0] - 3.0)
    set_out_again(truck.circuit, truck.stretches, fluid_c, fluid_c, gap_s)
    return truck, before


def test_a_short_pause_keeps_the_metals_distance_and_the_valve() -> None:
    truck, before = after_pause(PAUSE_S - 1.0)
    run_0 = truck.stretches.runs.reshape(RUNS, HELD)[0]
    assert before[1] != pytest.approx(before[0], abs=0.5)
    assert before[4] > LEAK
    assert run_0[1] - run_0[0] == pytest.approx(before[1] - before[0])
    assert run_0[3:].tolist() == before[3:].tolist()


def test_after_a_long_one_all_is_as_warm_as_the_fluid() -> None:
    truck, before = after_pause(PAUSE_S)
    assert (truck.stretches.runs.reshape(RUNS, HELD)[:, :4] == before[0] - 3.0).all()


# Where one stretch ends and the next begins.


def after_stop(gap_s: float, readings: int = LEAST) -> Truck:
    """Give a truck that has been driven, its engine on, and sets out again after a gap."""
    truck = Truck(FULL_FLOW, 1)
    truck.drive(hours=hours_of(readings))
    truck.set_out(60.0, gap_s)
    return truck


def hours_of(readings: int) -> float:
    return readings * BLOCK * WINDOW_S / 3600.0


def test_a_short_gap_ends_no_stretch_and_a_long_one_does() -> None:
    assert after_stop(PAUSE_S - 1.0).stretches.newest == 1
    assert after_stop(PAUSE_S).stretches.newest == 2


def test_but_not_one_that_tells_little() -> None:
    truck = after_stop(PAUSE_S, LEAST - 1)
    assert truck.stretches.newest == 1
    truck.drive(hours=hours_of(1))
    truck.set_out(60.0)
    assert truck.stretches.newest == 2


def test_a_stop_with_the_engine_off_is_such_a_gap() -> None:
    for stood, newest in ((PAUSE_S - WINDOW_S, 1), (PAUSE_S, 2)):
        truck = after_stop(0.0)
        for _ in range(round(stood / WINDOW_S)):
            truck.window(driving(heat_kw=0.0, rpm=0.0), 0.0, counts=False)
        truck.window(driving(), 0.0)
        assert truck.stretches.newest == newest


def test_a_long_drive_is_more_than_one_stretch() -> None:
    truck = Truck(FULL_FLOW, 1)
    truck.drive(hours=hours_of(2 * MOST + 5))
    assert truck.stretches.newest == 3
    assert truck.rows[1:4, ROWS].tolist() == [MOST, MOST, 5]


def test_what_was_long_ago_counts_less_and_less() -> None:
    truck = Truck(FULL_FLOW, 2)
    for _ in range(5 * KEPT):
        truck.drive(hours=1.0)
    a_drive = 3600.0 / WINDOW_S / BLOCK
    assert truck.rows[1:, ROWS].tolist() == [a_drive] * KEPT
    faded = a_drive * (1.0 - FADES ** (4 * KEPT)) / (1.0 - FADES)
    assert truck.rows[0, ROWS] == pytest.approx(faded)


# The readings.


def readings_of(truck: Truck, duty: Floats, errors_k: Floats) -> Floats:
    """Drive steadily with an error for each window; give the readings made of it [standard deviations].

    A reading is in the sums squared, and times its slopes. That of a warmer sink is above zero in steady
    driving, so that the sign is known.
    """
    read, of_sink = [], at(SINK_C, SINK_C)
    for block in errors_k.reshape(-1, BLOCK):
        truck.rows[:] = 0.0
        for error_k in block:
            truck.window(duty, float(error_k))
        new = truck.rows.sum(axis=0)
        assert (new[ROWS], new[of_sink] > 0.0) == (1.0, True)
        read.append(new[RIGHT + SINK_C] / math.sqrt(new[of_sink]))
    return np.array(read)


@each(TRUCKS)
def test_a_truck_that_is_as_thought_makes_readings_of_nothing(vehicle: Vehicle) -> None:
    truck = Truck(vehicle, 3)
    truck.set_out(20.0)
    for _ in range(10 * BLOCK):
        truck.window(drawn_window(truck.random), 0.0)
    assert truck.rows[1, ROWS] == 10.0
    assert truck.rows[1, SQUARE] == pytest.approx(0.0, abs=1e-9)


def test_errors_that_last_as_long_as_stated_make_readings_that_do_not_hang_together() -> None:
    """Errors that are AR(1) from block to block; statistical error of a variance and of a correlation."""
    count, truck = 3000, Truck(FULL_FLOW, 3)
    kept = math.exp(-BLOCK * WINDOW_S / LASTS_S)
    doubted_kw = driving()[CONVERTER_W] / 1000.0
    stated_k = truck.error_sd_k * error_times(truck.circuit, doubted_kw, 60.0)
    errors, error_k = [], 0.0
    for deviate in truck.random.standard_normal(count):
        error_k = kept * error_k + stated_k * math.sqrt(1.0 - kept**2) * deviate
        errors.append(error_k)
    truck.set_out(60.0)
    read = readings_of(truck, driving(), np.repeat(errors, BLOCK))
    assert len(read) == count
    # All of the error lasts here, and a share of it is taken not to.
    lasting = (1.0 - kept**2) / (1.0 - kept**2 + FINE)
    assert np.mean(read**2) == pytest.approx(lasting, abs=4.0 * math.sqrt(2.0 / count))
    for apart in (1, 2, 5):
        along = np.corrcoef(read[apart:], read[:-apart])[0, 1]
        assert abs(along) < 4.0 / math.sqrt(count)


def test_over_a_drive_such_errors_add_up_as_those_that_do_not_hang_together_do() -> None:
    """AR(1) from window to window: the mean of a block is not quite AR(1), and so not exactly."""
    drives, a_drive, totals = 300, 20, []
    for seed in range(drives):
        truck = Truck(FULL_FLOW, seed)
        truck.set_out(60.0)
        errors = np.array([truck.errs_on() for _ in range(a_drive * BLOCK)])
        totals.append(readings_of(truck, driving(), errors).sum())
    variance = np.mean(np.square(totals)) / a_drive
    assert 0.75 < variance < 1.0 + 3.0 * math.sqrt(2.0 / drives)


def test_the_first_reading_after_setting_out_is_as_wide_as_the_others() -> None:
    """The runs set out from a reading, so that the error has grown for half a block only."""
    drives, read = 400, []
    for seed in range(drives):
        truck = Truck(FULL_FLOW, seed)
        truck.set_out(60.0)
        grown = 1.0 - math.exp(-BLOCK * WINDOW_S / LASTS_S)
        error_k = truck.error_sd_k * math.sqrt(grown + FINE) * truck.random.standard_normal()
        read.append(readings_of(truck, driving(), np.full(BLOCK, error_k))[0])
    assert np.mean(np.square(read)) == pytest.approx(1.0, abs=4.0 * math.sqrt(2.0 / drives))


@pytest.mark.parametrize("off_k", [-500.0, 500.0])
def test_a_wild_reading_counts_for_little(off_k: float) -> None:
    truck = Truck(FULL_FLOW, 4)
    truck.set_out(60.0)
    errors = np.zeros(3 * BLOCK)
    errors[BLOCK] = off_k
    read = readings_of(truck, driving(), errors)
    assert read[0] == pytest.approx(0.0, abs=1e-9)
    assert read[1] == pytest.approx(math.copysign(WILD, off_k))
    assert abs(read[2]) <= WILD * (1.0 + 1e-9)


# What a reading tells, by how far the balance may be off there.


def told_by(truck: Truck, duty: Floats, *, untold: int = 0, error_k: float = 0.0) -> Floats:
    """Give what a block tells of the values, its first ``untold`` windows driven with a guessed load."""
    truck.rows[:] = 0.0
    for place in range(BLOCK):
        truck.window(duty, error_k, untold=place < untold)
    return np.asarray(truck.rows.sum(axis=0)[:RIGHT])


def set_out_warm(vehicle: Vehicle) -> Truck:
    truck = Truck(vehicle, 6)
    truck.error_sd_k *= 100.0  # so that no reading is wild
    truck.set_out(80.0)
    return truck


@each(TRUCKS)
@pytest.mark.parametrize("untold", [1, 3, BLOCK])
def test_a_reading_tells_less_the_more_of_the_converters_heat_is_a_guess(
    vehicle: Vehicle, untold: int
) -> None:
    truck, duty = set_out_warm(vehicle), driving(heat_kw=14.0)
    told, guessed = (
        told_by(one, duty, untold=windows)
        for one, windows in ((truck, 0), (set_out_warm(vehicle), untold))
    )
    kw = duty[CONVERTER_W] / 1000.0
    more_kw = kw * (1.0 + (UNTOLD - 1.0) * untold / BLOCK)
    wider = error_times(truck.circuit, more_kw, 80.0) / error_times(truck.circuit, kw, 80.0)
    assert wider > 1.0
    assert told == pytest.approx(wider**2 * guessed)
    assert guessed[at(SINK_C, SINK_C)] < told[at(SINK_C, SINK_C)]


@each(TRUCKS)
def test_the_same_drive_tells_less_where_the_fluid_reads_cold(vehicle: Vehicle) -> None:
    duty, told, factors = driving(), [], []
    for error_k in (0.0, -60.0):
        truck = set_out_warm(vehicle)
        told.append(told_by(truck, duty, error_k=error_k))
        fluid_c = truck.x[read_at(truck.circuit)] + error_k
        assert (fluid_c < WARM_C) == (error_k < 0.0)
        factors.append(error_times(truck.circuit, duty[CONVERTER_W] / 1000.0, fluid_c))
    wider = factors[1] / factors[0]
    assert told[0] == pytest.approx(wider**2 * told[1])
    assert told[1][at(SINK_C, SINK_C)] < told[0][at(SINK_C, SINK_C)]


@pytest.mark.parametrize("whole", [True, False])
def test_what_was_a_guess_before_a_reading_is_none_of_its_own(whole: bool) -> None:
    """A block before it, or one that was begun and then did not count."""
    truck, other, duty = set_out_warm(FULL_FLOW), set_out_warm(FULL_FLOW), driving()
    for one, untold in ((truck, True), (other, False)):
        for _ in range(BLOCK if whole else BLOCK - 1):
            one.window(duty, 0.0, untold=untold)
        if not whole:
            one.window(duty, 0.0, counts=False)
    assert told_by(truck, duty).tolist() == told_by(other, duty).tolist()


def test_windows_that_do_not_count_change_no_sums_but_the_runs_go_on() -> None:
    trucks = {counts: known_truck(FULL_FLOW, 5) for counts in (False, True)}
    for truck in trucks.values():
        truck.window(driving(heat_kw=20.0), 3.0)
    before = trucks[False].stretches.copy()
    for counts, truck in trucks.items():
        truck.window(driving(heat_kw=20.0), 3.0, counts=counts)
    passed, counted = trucks[False].stretches, trucks[True].stretches
    for name in ("sums", "before", "odds", "middle_s"):
        assert np.array_equal(passed[name], before[name])
    assert (before.windows, passed.windows, counted.windows) == (1, 0, 2)
    assert not passed.block.any()
    assert passed.runs.tolist() == counted.runs.tolist() != before.runs.tolist()


def test_a_drive_that_does_not_count_is_nothing_to_the_odds() -> None:
    truck = known_truck(FULL_FLOW, 6)
    before, read = truck.odds.copy(), truck.rows[:, ROWS].sum()
    truck.drive(AIR, math.log(0.2), counts=False)
    assert truck.odds.tolist() == before.tolist()
    assert truck.rows[:, ROWS].sum() == read


# A sound truck.


@each([FULL_FLOW, BYPASS, EXCHANGER, WITH_VALVE, TANK, TANK_AND_AIR])
def test_a_sound_truck_is_not_accused(vehicle: Vehicle) -> None:
    for seed in range(5):
        truck = some_truck(vehicle, seed)
        for _ in range(KEPT + 2):
            assert truck.drive() < 1.0


@each([FULL_FLOW, BYPASS])
def test_nor_is_one_whose_balance_is_far_worse_than_stated(vehicle: Vehicle) -> None:
    for seed in range(8):
        truck = some_truck(vehicle, seed, errs=2.5)
        for _ in range(KEPT + 2):
            assert truck.drive() < 1.0


def test_the_trucks_own_values_come_out() -> None:
    own, fit = [], []
    for seed in range(16):
        truck = some_truck(FULL_FLOW, seed)
        for _ in range(8):
            truck.drive()
        own.append(truck.own)
        fit.append(truck.stretches.own.copy())
    off = np.sqrt(np.mean(np.square(np.array(fit) - own), axis=0))
    drawn = np.sqrt(np.mean(np.square(own), axis=0))
    of_cooler = 2
    for value in (HEAT, of_cooler, SINK_C):
        assert off[value] < 0.5 * drawn[value]


def test_the_own_values_stay_within_what_a_truck_can_be() -> None:
    least, most = priors.LEAST[VALUES[HEAT]], priors.MOST[VALUES[HEAT]]
    for heat in (-2.0, 2.0):
        truck = Truck(FULL_FLOW, 7, own=np.eye(OWN)[HEAT] * heat)
        for _ in range(4):
            truck.drive()
        assert (truck.stretches.own >= priors.LEAST[VALUES]).all()
        assert (truck.stretches.own <= priors.MOST[VALUES]).all()
        assert truck.stretches.own[HEAT] == pytest.approx(most if heat > 0.0 else least)


@each([FULL_FLOW, BYPASS, TANK_AND_AIR])
@pytest.mark.parametrize("more_heat", [-0.3, 0.4])
def test_another_scale_of_the_heat_accuses_nobody(vehicle: Vehicle, more_heat: float) -> None:
    for seed in range(4):
        truck = known_truck(vehicle, seed)
        truck.begins_per_h[SLIP] = 0.0  # which here is another name for more heat
        for _ in range(3):
            truck.drive(more_heat=more_heat)
            assert any_odds(truck.stretches.odds) < 0.1


@each([FULL_FLOW, BYPASS])
def test_nor_does_a_sink_that_has_become_colder(vehicle: Vehicle) -> None:
    for seed in range(6):
        truck = known_truck(vehicle, seed)
        for _ in range(4):
            truck.drive(sink_k=-5.0)
            assert any_odds(truck.stretches.odds) < 0.1


def test_nor_one_that_has_become_warmer_behind_a_valve() -> None:
    for seed in range(6):
        truck = known_truck(BYPASS, seed)
        for _ in range(4):
            truck.drive(sink_k=8.0)
            assert any_odds(truck.stretches.odds) < 0.1


# A fault.


@each([one for one in TRUCKS if one.circuit == "full_flow"])
def test_the_loss_of_half_of_the_air_is_told_by_the_third_drive(vehicle: Vehicle) -> None:
    for seed in range(6):
        truck = known_truck(vehicle, seed)
        for _ in range(3):
            truck.drive(AIR, HALF_OF_AIR)
        assert truck.odds[AIR] > 100.0
        assert truck.odds[AIR] > 10.0 * truck.odds[FLOW]
        assert truck.stretches.since == 5


def test_how_much_air_is_left_comes_out() -> None:
    off = []
    for seed in range(20):
        truck = known_truck(FULL_FLOW, seed)
        for _ in range(3):
            truck.drive(AIR, HALF_OF_AIR)
        number, variance = truck.stretches.number[AIR], truck.stretches.number_var[AIR]
        assert number == pytest.approx(HALF_OF_AIR, abs=0.25)
        off.append((number - HALF_OF_AIR) / math.sqrt(variance))
    assert np.mean(np.abs(off) < 3.0) > 0.9
    assert np.sqrt(np.mean(np.square(off))) > 0.3


def test_a_lack_of_flow_is_told_from_a_lack_of_air_where_speeds_change() -> None:
    for seed in range(6):
        truck = known_truck(FULL_FLOW, seed)
        for _ in range(3):
            truck.drive(FLOW, math.log(0.6))
        assert truck.odds[FLOW] > 100.0
        assert truck.odds[FLOW] > 10.0 * truck.odds[AIR]
        assert truck.stretches.since == 5


@pytest.mark.parametrize("fault", [AIR, FLOW], ids=["air", "flow"])
def test_a_lack_that_is_far_less_than_the_least_size_is_not_told_for_long(fault: int) -> None:
    """What a balance gets wrong for hours looks like that; a first drive may take it for more."""
    for seed in range(6):
        truck = known_truck(FULL_FLOW, seed)
        for _ in range(3):
            truck.drive(fault, math.log(0.8))
        assert any_odds(truck.odds) < 0.01


@each([EXCHANGER, TANK])
def test_an_exchanger_starved_of_fluid_is_told(vehicle: Vehicle) -> None:
    truck = known_truck(vehicle, 1)
    truck.drive(FLOW, math.log(0.5))
    assert truck.odds[FLOW] > 100.0
    assert truck.odds[[AIR, OPEN]].tolist() == [0.0, 0.0]


def test_a_valve_stuck_open_is_told_by_cold_starts() -> None:
    for seed in range(8):
        truck = known_truck(BYPASS, seed)
        for _ in range(3):
            truck.drive(OPEN, air_c=(-10.0, 5.0))
        assert truck.odds[OPEN] > 100.0
        assert truck.odds[OPEN] > 100.0 * truck.odds[FLOW]
        assert truck.stretches.since == 5


def test_a_coolant_valve_stuck_open_is_left_to_the_filters() -> None:
    for seed in range(4):
        truck = known_truck(WITH_VALVE, seed)
        for _ in range(3):
            assert truck.drive(OPEN, air_c=(-10.0, 5.0)) < 1.0
            assert truck.odds[OPEN] == 0.0


def test_a_valve_stuck_shut_is_not_told_as_a_starved_cooler() -> None:
    for seed in range(6):
        truck = known_truck(BYPASS, seed)
        for _ in range(4):
            assert truck.drive(SHUT) < 1.0


@each([BYPASS, WITH_VALVE])
@pytest.mark.parametrize("left", [0.1, 0.5])
def test_a_lack_of_air_is_never_told_behind_a_valve_that_regulates(
    vehicle: Vehicle, left: float
) -> None:
    for seed in range(4):
        truck = known_truck(vehicle, seed)
        for _ in range(4):
            truck.drive(AIR, math.log(left))
            assert truck.odds[AIR] == 0.0


@pytest.mark.parametrize("fault", [AIR, FLOW], ids=NAMES.__getitem__)
def test_what_a_circuit_cannot_have_is_not_told_however_well_it_would_explain(
    fault: int,
) -> None:
    truck = Truck(FULL_FLOW, 8)
    truck.begins_per_h[fault] = 0.0
    for _ in range(4):
        truck.drive()
    for _ in range(3):
        truck.drive(fault, math.log(0.4))
    assert truck.odds[fault] == 0.0


@pytest.mark.parametrize("seed", range(3))
def test_a_fault_stays_told_however_long_it_lasts_and_what_was_before_it_apart(
    seed: int,
) -> None:
    truck, apart = known_truck(FULL_FLOW, seed), []
    for driven in range(1, 3 * KEPT):
        truck.drive(AIR, HALF_OF_AIR)
        truck.set_out(20.0)
        if driven < 3:
            continue
        since = truck.stretches.since
        assert truck.odds[AIR] > 100.0
        assert since == max(1, 5 - max(0, driven + 1 - (KEPT - 4)))
        apart.append(truck.rows[:since].sum(axis=0))
    assert truck.stretches.newest == KEPT
    for before in apart[KEPT:]:
        assert before.tolist() == apart[KEPT].tolist()
        assert 0.0 < before[ROWS] <= 4 * round(2.0 / hours_of(1))


@pytest.mark.parametrize("seed", range(3))
def test_the_run_goes_on_to_foretell_a_sound_circuit(seed: int) -> None:
    truck = known_truck(FULL_FLOW, seed)
    for _ in range(KEPT):
        truck.drive(AIR, HALF_OF_AIR)
    sound = Truck(FULL_FLOW, seed, own=truck.own)
    for one, fault in ((truck, AIR), (sound, HEALTHY)):
        one.set_out(60.0)
        for _ in range(100):
            one.window(driving(), 0.0, fault, HALF_OF_AIR)
    assert truck.x[FLUID] - sound.x[FLUID] > 5.0
    foretold = foretold_c(truck.circuit, truck.stretches)
    assert foretold == pytest.approx(sound.x[FLUID], abs=1.5)


@pytest.mark.parametrize("seed", range(3))
def test_once_it_is_mended_it_is_forgotten_in_the_end(seed: int) -> None:
    truck = known_truck(FULL_FLOW, seed)
    for _ in range(4):
        truck.drive(AIR, HALF_OF_AIR)
    assert truck.odds[AIR] > 100.0
    for _ in range(4 * KEPT):
        truck.drive()
    assert any_odds(truck.stretches.odds) < 1.0


@each([FULL_FLOW, BYPASS])
def test_nothing_is_told_in_the_first_drive(vehicle: Vehicle) -> None:
    fault, number = (AIR, math.log(0.3)) if vehicle == FULL_FLOW else (OPEN, 0.0)
    sound, starved = some_truck(vehicle, 9), some_truck(vehicle, 9)
    hours = hours_of(MOST - 1)
    assert starved.drive(fault, number, hours=hours) == sound.drive(hours=hours) < 0.01
    assert starved.odds.tolist() == sound.odds.tolist()
    assert starved.stretches.since == 0


def test_nor_until_enough_was_driven_before_the_fault() -> None:
    def after(least: int) -> Truck:
        truck = Truck(FULL_FLOW, 10)
        truck.drive(hours=hours_of(least))
        truck.drive(AIR, math.log(0.3))
        return truck

    assert after(LEAST - 1).odds[AIR] < 0.01
    assert after(LEAST - 1).stretches.since == 0
    assert after(LEAST).odds[AIR] > 0.01
    assert after(LEAST).stretches.since == 2


# How large a fault is taken to be.


def change(column: int, fit: float, known: float) -> Truck:
    """Give a truck with readings that only one column explains, and which a size of it fits best.

    ``known``: one over the variance of that fit [-]. Readings before them tell of the own values alone.
    """
    truck = Truck(FULL_FLOW, 11)
    truck.error_sd_k = 1e9  # so that what is driven here tells nothing
    truck.set_out(60.0)
    prior = 1.0 / SIZE_SD**2
    assert known > prior
    of_all_before, since = truck.rows[0], truck.rows[1]
    of_all_before[ROWS] = since[ROWS] = LEAST
    of_all_before[[at(value, value) for value in range(OWN)]] = 1e6
    since[at(column, column)] = known - prior
    since[RIGHT + column] = fit * known
    since[SQUARE] = (fit * known) ** 2 / (known - prior)
    for _ in range(BLOCK):
        truck.window(driving(), 0.0)
    assert truck.rows[1, ROWS] == LEAST + 1
    return truck


def gain_of(fault: int, fit: float, known: float) -> float:
    """Give by how much the sum of squares is taken to fall with a fault, by its odds."""
    none, some = (change(COLUMN_OF[fault], each, known).odds[fault] for each in (0.0, fit))
    return 2.0 * math.log(some / none)


lacks = st.sampled_from([AIR, FLOW])
precisely = st.floats(2.0, 12.0)


@unhurried
@given(fault=lacks, fit=st.floats(LEAST_SIZE, 2.0), known=precisely)
def test_a_fault_that_is_large_enough_is_as_large_as_it_fits_best(
    fault: int, fit: float, known: float
) -> None:
    wanted = fit**2 * known
    assert gain_of(fault, fit, known) == pytest.approx(wanted, abs=1e-6)
    truck = change(COLUMN_OF[fault], fit, known)
    assert truck.stretches.number[fault] == pytest.approx(fit * number_of(fault))
    if wanted > 1.0:  # else a fault that begins more often is likelier
        assert truck.stretches["size"] == pytest.approx(fit)


def number_of(fault: int) -> float:
    return float(NUMBERS[COLUMN_OF[fault] - OWN])


@unhurried
@given(fault=lacks, fit=st.floats(0.51 * LEAST_SIZE, LEAST_SIZE), known=precisely)
def test_a_smaller_one_is_taken_for_the_least_and_explains_what_that_leaves_less(
    fault: int, fit: float, known: float
) -> None:
    """The sum of squares grows from the best fit with the square of the distance; textbook."""
    wanted = (fit**2 - (LEAST_SIZE - fit) ** 2) * known
    assert gain_of(fault, fit, known) == pytest.approx(wanted, abs=1e-6)
    truck = change(COLUMN_OF[fault], fit, known)
    assert truck.stretches.number[fault] == pytest.approx(LEAST_SIZE * number_of(fault))
    if wanted > 1.0:  # else a fault that begins more often is likelier
        assert truck.stretches["size"] == pytest.approx(LEAST_SIZE)


@unhurried
@given(fault=lacks, fit=st.floats(-2.0, 0.5 * LEAST_SIZE), known=precisely)
def test_what_fits_half_of_the_least_size_speaks_for_no_fault(
    fault: int, fit: float, known: float
) -> None:
    assert gain_of(fault, fit, known) == pytest.approx(0.0, abs=1e-9)


def rivalled(column: int, fit: float) -> float:
    """Give what a rival that fits so well leaves of the odds of a fault that explains nothing [-]."""
    none, some = (change(column, each, 400.0).odds[AIR] for each in (0.0, fit))
    return float(some / none)


def test_nor_does_so_little_slip_speak_against_one_and_more_does() -> None:
    assert rivalled(COLUMN_OF[SLIP], 0.49 * LEAST_SIZE) == pytest.approx(1.0)
    assert rivalled(COLUMN_OF[SLIP], 0.6 * LEAST_SIZE) < 0.5


@pytest.mark.parametrize("column", [HEAT, SINK_C])
@pytest.mark.parametrize("sign", [-1.0, 1.0])
def test_heat_and_sink_change_by_as_little_as_fits_best(column: int, sign: float) -> None:
    assert rivalled(column, sign * 0.4 * LEAST_SIZE) < 0.5


# The odds.


def odds_of(vehicle: Vehicle, gains: Floats, variance: float = 1.0) -> tuple[Floats, int]:
    bank, odds = params_of(vehicle).bank, np.zeros(COUNT)
    likeliest = tell_odds(bank.circuit, bank.begins_per_h, gains, variance, odds)
    return odds, likeliest


def drawn_gains(seed: int) -> Floats:
    return np.random.default_rng(seed).uniform(0.0, 40.0, size=COLUMNS)


TOLD = {BYPASS: {FLOW, OPEN}, WITH_VALVE: {FLOW}, EXCHANGER: {FLOW}, TANK: {FLOW}} | {
    one: {AIR, FLOW} for one in (FULL_FLOW, TANK_AND_AIR)
}
"""Faults that the stretches tell of each circuit; a coolant valve stuck open the filters tell alone."""


@each(CIRCUITS)
@unhurried
@given(seed=seeds, variance=st.floats(0.2, 20.0))
def test_told_are_the_faults_that_a_circuit_can_have_and_show(
    vehicle: Vehicle, seed: int, variance: float
) -> None:
    odds, likeliest = odds_of(vehicle, drawn_gains(seed), variance)
    assert set(np.flatnonzero(odds)) == TOLD[vehicle]
    assert odds[FAULTS[likeliest - OWN]] == odds.max()
    assert any_odds(odds) == pytest.approx(odds.sum())
    assert (odds <= math.exp(MOST_LN)).all()


@each(CIRCUITS)
def test_where_nothing_is_explained_a_fault_is_as_likely_as_it_is_rare(
    vehicle: Vehicle,
) -> None:
    odds, _ = odds_of(vehicle, np.zeros(COLUMNS))
    for fault in TOLD[vehicle]:
        rate = params_of(vehicle).bank.begins_per_h[fault]
        assert odds[fault] == pytest.approx(rate * LOOKED_H, rel=0.01)


@each(CIRCUITS)
@unhurried
@given(seed=seeds, more=st.floats(0.1, 30.0))
def test_what_a_fault_explains_speaks_for_it_and_what_else_does_against_it(
    vehicle: Vehicle, seed: int, more: float
) -> None:
    gains = drawn_gains(seed)
    before, _ = odds_of(vehicle, gains)
    for fault in TOLD[vehicle]:
        raised = gains.copy()
        raised[COLUMN_OF[fault]] += more
        assert odds_of(vehicle, raised)[0][fault] > before[fault]
    not_told = {
        COLUMN_OF[fault] for fault in (SHUT, SLIP, OPEN, AIR) if fault not in TOLD[vehicle]
    }
    for other in (HEAT, SINK_C, *not_told):
        raised = gains.copy()
        raised[other] += more
        assert (odds_of(vehicle, raised)[0] <= before).all()


@unhurried
@given(flow=st.floats(0.0, 60.0), wide=st.floats(0.0, 60.0), more=st.floats(0.5, 30.0))
def test_a_coolant_valve_stuck_open_takes_from_a_lack_of_flow_what_it_explains(
    flow: float, wide: float, more: float
) -> None:
    gains = np.zeros(COLUMNS)
    gains[[COLUMN_OF[FLOW], COLUMN_OF[OPEN]]] = flow, wide
    before, _ = odds_of(WITH_VALVE, gains)
    gains[COLUMN_OF[OPEN]] += more
    after, likeliest = odds_of(WITH_VALVE, gains)
    assert 0.0 < after[FLOW] < before[FLOW]
    assert likeliest == COLUMN_OF[FLOW]
    assert after[OPEN] == 0.0


@unhurried
@given(gain=st.floats(0.0, 60.0))
def test_full_odds_go_with_half_of_what_the_sum_of_squares_falls_by(gain: float) -> None:
    """The likelihood ratio of normal errors of variance one; textbook, from memory."""
    gains = np.zeros(COLUMNS)
    none, _ = odds_of(FULL_FLOW, gains)
    gains[COLUMN_OF[AIR]] = gain
    some, _ = odds_of(FULL_FLOW, gains)
    assert some[AIR] / none[AIR] == pytest.approx(math.exp(0.5 * gain))
    assert some[FLOW] == none[FLOW]


@pytest.mark.parametrize("rival", [HEAT, SINK_C])
@unhurried
@given(gain=st.floats(10.0, 60.0))
def test_what_explains_as_much_alone_leaves_the_odds_at_those_of_how_rare_it_is(
    rival: int, gain: float
) -> None:
    gains = np.zeros(COLUMNS)
    gains[[COLUMN_OF[AIR], rival]] = gain
    assert odds_of(FULL_FLOW, gains)[0][AIR] < 25.0


@each(CIRCUITS)
@unhurried
@given(gain=st.floats(1.0, 60.0), variance=st.floats(1.0, 5.0), worse=st.floats(1.1, 4.0))
def test_the_worse_the_balance_the_less_is_believed(
    vehicle: Vehicle, gain: float, variance: float, worse: float
) -> None:
    for fault in TOLD[vehicle]:
        gains = np.zeros(COLUMNS)
        gains[COLUMN_OF[fault]] = gain
        stated, _ = odds_of(vehicle, gains, variance)
        assert odds_of(vehicle, gains, worse * variance)[0][fault] < stated[fault]


@unhurried
@given(seed=seeds, variance=st.floats(0.01, 1.0))
def test_one_better_than_stated_is_believed_no_more(seed: int, variance: float) -> None:
    better, _ = odds_of(FULL_FLOW, drawn_gains(seed), variance)
    assert better.tolist() == odds_of(FULL_FLOW, drawn_gains(seed))[0].tolist()


# What is left of the cooler.


def carries(hypothesis: int, number: float) -> float:
    """Give what a cooler carries with a fault, over what it does without: two resistances in a row."""
    if hypothesis in (SHUT, LOW):
        return LEAK if hypothesis == SHUT else math.exp(number)
    fluid = math.exp(number) if hypothesis == FLOW else 1.0
    air = math.exp(number) if hypothesis == AIR else 1.0
    return conductance_w_k(1.0, fluid, air) / conductance_w_k(1.0, 1.0, 1.0)


def mixed(weights: Floats, numbers: Floats, variances: Floats) -> tuple[float, float]:
    """Give mean and standard deviation of a mixture, each part's spread by its slope in the number."""
    parts = [place for place in range(COUNT) if place != SENSOR]
    shares, spreads = [], []
    for place in parts:
        shares.append(carries(place, numbers[place]))
        up, down = (carries(place, numbers[place] + step) for step in (1e-5, -1e-5))
        spreads.append(((up - down) / 2e-5) ** 2 * variances[place])
    mean = np.average(shares, weights=weights[parts])
    square = np.average(np.square(shares) + spreads, weights=weights[parts])
    return float(mean), math.sqrt(max(0.0, square - mean * mean))


def drawn_faults(seed: int) -> tuple[Floats, Floats, Floats]:
    """Draw weights, and the number of each fault and its variance."""
    random = np.random.default_rng(seed)
    numbers, variances = random.uniform(-2.0, 0.0, COUNT), random.uniform(0.0, 0.2, COUNT)
    return random.dirichlet(np.ones(COUNT)), numbers, variances


@unhurried
@given(seed=seeds)
def test_what_is_left_is_the_mixture_of_what_each_hypothesis_leaves(seed: int) -> None:
    weights, numbers, variances = drawn_faults(seed)
    wanted = mixed(weights, numbers, variances)
    assert share_left(weights, numbers, variances) == pytest.approx(wanted, rel=1e-6)


@given(seed=seeds)
def test_of_a_sound_truck_all_is_left(seed: int) -> None:
    _, numbers, variances = drawn_faults(seed)
    assert share_left(np.eye(COUNT)[HEALTHY], numbers, variances) == (1.0, 0.0)


@pytest.mark.parametrize("fault", [LOW, AIR, FLOW], ids=NAMES.__getitem__)
@given(number=st.floats(-3.0, 0.0))
def test_of_a_fault_that_is_sure_what_it_leaves_is_left(fault: int, number: float) -> None:
    numbers = np.full(COUNT, number)
    left, sd = share_left(np.eye(COUNT)[fault], numbers, np.zeros(COUNT))
    assert left == pytest.approx(carries(fault, number))
    assert sd == pytest.approx(0.0, abs=1e-7)


@given(seed=seeds, weight=st.floats(0.0, 100.0))
def test_a_doubted_sensor_says_nothing_of_what_is_left(seed: int, weight: float) -> None:
    weights, numbers, variances = drawn_faults(seed)
    before = share_left(weights, numbers, variances)
    weights[SENSOR] = weight
    assert share_left(weights, numbers, variances) == before
