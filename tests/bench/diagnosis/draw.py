"""The trucks of the benchmark, drawn by a seed: what each is, how it drives, what fails and when.

No truck is what its fleet file and its class say: masses, coolers, valves and losses are scattered, the
valve has play and lags, and the simulator shares no physics with the models.
"""

from __future__ import annotations

from argparse import ArgumentParser, Namespace
from dataclasses import dataclass, replace
from random import Random

from simulator.faults import Fault
from simulator.physics.weather import Weather
from simulator.plan import TruckPlan
from simulator.random_fleet import CIRCUITS, CLASSES, TRAILER_KG, able_faults, fittings
from simulator.sensors import (
    BASIC,
    WITH_LINES,
    WITH_SLIP,
    WITH_TORQUE,
    Position,
    SensorFit,
    coarse,
)
from simulator.trucks import truck_plan
from tests.bench.diagnosis.duties import (
    DRIVES_A_DAY,
    TERRAINS,
    Drive,
    Terrain,
    random_days,
)

TUNING_SEED = 41
"""Trucks that detectors and baselines may be tuned on."""

REPORTED_SEED = 97
"""Trucks of the reported table: nothing may be tuned on them."""

DAYS = 4
"""Days of one truck; a fault begins on its first two."""

HEALTHY_SHARE = 0.45
SENSOR_SHARE = 0.2
GRADUAL_SHARE = 0.4
POSITIONS: tuple[tuple[Position, float], ...] = (
    ("sump", 0.75),
    ("converter_out", 0.15),
    ("cooler_line", 0.1),
)
LOWEST_C, HIGHEST_C = -30.0, 45.0

MISSING = ("ambient_missing", "sensor_dropout")


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """One row of the table: a fault of the simulator with a span of sizes.

    ``named``: alarm kinds that name it; ``less_exact``: kinds that say something true and no more.
    """

    label: str
    fault: str
    low: float
    high: float
    named: frozenset[str]
    less_exact: frozenset[str] = frozenset()
    weight: float = 1.0
    grows: bool = True
    either_sign: bool = False

    @property
    def of_sensor(self) -> bool:
        return self.fault.startswith("sensor_")


_LOW = frozenset({"heat_rejection_low"})
_STUCK = frozenset({"bypass_stuck"})
_STARVED = frozenset({"cooler_starved"})
_VALVE = frozenset({"coolant_valve_stuck"})
_COLD = frozenset({"overcooled"})
_SLIP = frozenset({"lockup_slip"})
_SENSOR = frozenset({"sensor_fault"})

# fmt: off
KINDS: tuple[Kind, ...] = (
    Kind(label="bypass stuck", fault="bypass_stuck", low=1.0, high=1.0, named=_STUCK,
         less_exact=_LOW, weight=3.0),
    Kind(label="bypass part-way", fault="bypass_stuck", low=0.5, high=0.85,
         named=_STUCK | _LOW),
    Kind(label="stuck to cooler", fault="stuck_to_cooler", low=1.0, high=1.0, named=_COLD,
         weight=2.0),
    Kind(label="starved by half", fault="cooler_starved", low=0.45, high=0.6, named=_STARVED,
         less_exact=_LOW, weight=1.5),
    Kind(label="starved of air", fault="cooler_starved", low=0.8, high=0.97, named=_STARVED,
         less_exact=_LOW, weight=1.5),
    Kind(label="starved of flow", fault="cooler_flow", low=0.6, high=0.95, named=_STARVED,
         less_exact=_LOW, weight=1.5),
    Kind(label="coolant valve shut", fault="coolant_valve_stuck", low=0.0, high=0.0,
         named=_VALVE, less_exact=_LOW, grows=False),
    Kind(label="coolant valve open", fault="coolant_valve_stuck", low=1.0, high=1.0,
         named=_VALVE, less_exact=_COLD, grows=False),
    Kind(label="lockup slip", fault="lockup_slip", low=80.0, high=350.0, named=_SLIP,
         weight=2.0),
    Kind(label="sensor frozen", fault="sensor_frozen", low=0.0, high=0.0, named=_SENSOR,
         grows=False),
    Kind(label="sensor drift", fault="sensor_drift", low=0.3, high=1.2, named=_SENSOR,
         grows=False, either_sign=True),
    Kind(label="sensor bias", fault="sensor_bias", low=6.0, high=15.0, named=_SENSOR,
         either_sign=True),
    Kind(label="sensor noise", fault="sensor_noise", low=3.0, high=8.0, named=_SENSOR),
)
# fmt: on
BY_LABEL = {kind.label: kind for kind in KINDS}


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """One truck and its days. ``label`` is empty for a healthy one."""

    number: int
    seed: int
    label: str
    plan: TruckPlan
    weathers: tuple[Weather, ...]
    drives: tuple[Drive, ...]
    terrain: Terrain
    days: int = DAYS

    @property
    def fault(self) -> Fault | None:
        """What fails, beside signals that are merely missing."""
        if not self.label:
            return None
        name = BY_LABEL[self.label].fault
        return next(fault for fault in self.plan.faults if fault.kind == name)

    @property
    def whole(self) -> bool:
        """Say that all the basic signals are there throughout."""
        kinds = {fault.kind for fault in self.plan.faults}
        return set(BASIC) <= set(self.plan.fit.signals) and kinds.isdisjoint(MISSING)


def trial(seed: int, number: int, *, healthy_share: float = HEALTHY_SHARE) -> Trial:
    """Draw one truck; the same for the same arguments."""
    rng = Random(f"{seed}/{number}")
    (circuit,) = rng.choices([c for c, _ in CIRCUITS], [w for _, w in CIRCUITS])
    (truck_class,) = rng.choices([c for c, _ in CLASSES], [w for _, w in CLASSES])
    valve, air = fittings(rng, circuit)
    terrain = rng.choice(TERRAINS)
    drives = random_days(rng, days=DAYS, terrain=terrain, trailer_kg=TRAILER_KG[truck_class])
    (position,) = rng.choices([p for p, _ in POSITIONS], [w for _, w in POSITIONS])
    plan = _scatter(
        rng,
        truck_plan(
            f"BT-{number}",
            truck_class=truck_class,
            circuit=circuit,
            coolant_valve=valve,
            air_cooler=air,
            position=position,
        ),
    )
    kind = None
    if rng.random() >= healthy_share:
        kind = _kind(rng, able_faults(circuit, coolant_valve=valve, air_cooler=air))
    faults = () if kind is None else (draw_fault(rng, kind, drives),)
    return Trial(
        number=number,
        seed=seed,
        label="" if kind is None else kind.label,
        plan=replace(plan, fit=_fit(rng, position), faults=(*faults, *_missing(rng, drives))),
        weathers=_weathers(rng),
        drives=drives,
        terrain=terrain,
    )


def _weathers(rng: Random) -> tuple[Weather, ...]:
    """Draw a climate and its days, all within the stated bounds."""
    swing = rng.uniform(1.0, 9.0)
    mean = rng.uniform(LOWEST_C + swing, HIGHEST_C - swing)
    return tuple(day_of(rng, mean, swing) for _ in range(DAYS + 1))


def day_of(rng: Random, mean_c: float, swing_c: float) -> Weather:
    """Draw a day of a climate."""
    day_c = mean_c + rng.gauss(0.0, 2.5)
    return Weather(
        mean_c=min(max(day_c, LOWEST_C + swing_c), HIGHEST_C - swing_c), swing_c=swing_c
    )


def _kind(rng: Random, of_truck: tuple[str, ...]) -> Kind:
    of_sensor = rng.random() < SENSOR_SHARE
    able = [kind for kind in KINDS if (kind.of_sensor if of_sensor else kind.fault in of_truck)]
    return rng.choices(able, [kind.weight for kind in able])[0]


def draw_fault(rng: Random, kind: Kind, drives: tuple[Drive, ...]) -> Fault:
    """Begin in one of the drives of the first two days, sometimes slowly."""
    begins = rng.choice(drives[: 2 * DRIVES_A_DAY])
    size = rng.uniform(kind.low, kind.high)
    if kind.either_sign:
        size *= rng.choice((1.0, -1.0))
    return Fault(
        kind=kind.fault,
        since_s=float(rng.randint(begins.start_s + 300, begins.end_s - 300)),
        size=size,
        ramp_s=(
            3600.0 * rng.uniform(2.0, 30.0)
            if kind.grows and rng.random() < GRADUAL_SHARE
            else 0.0
        ),
    )


def _fit(rng: Random, position: Position) -> SensorFit:
    signals = set(rng.choice((BASIC, BASIC, WITH_TORQUE, WITH_SLIP, WITH_LINES)))
    if rng.random() < 0.25:
        never = ("gear", "lockup", "ambient_temp_c", "engine_load_pct", "coolant_temp_c")
        signals.discard(rng.choice(never))
    fit = SensorFit(
        signals=tuple(name for name in WITH_LINES if name in signals),
        period_s=rng.choice((1, 5, 10, 10, 30)),
        position=position,
        lost=rng.choice((0.0, 0.0, 0.02, 0.2)),
    )
    return coarse(fit) if rng.random() < 0.4 else fit


def _missing(rng: Random, drives: tuple[Drive, ...]) -> tuple[Fault, ...]:
    """Now and then let a signal go: nothing is wrong with the truck, and no alarm is due."""
    draw = rng.random()
    since_s = float(rng.choice(drives).start_s)
    if draw < 0.06:
        return (Fault(kind="ambient_missing", since_s=since_s),)
    if draw < 0.12:
        return (Fault(kind="sensor_dropout", since_s=since_s, size=rng.uniform(0.3, 0.9)),)
    return ()


def _scatter(rng: Random, plan: TruckPlan) -> TruckPlan:
    """Make no two trucks of a class alike; magnitudes are our own choice."""
    thermal, body, line = plan.spec.thermal, plan.spec.body, plan.spec.driveline
    shift_k = rng.gauss(0.0, 2.0)
    span = rng.uniform(0.8, 1.25)
    thermal = replace(
        thermal,
        sump_j_k=thermal.sump_j_k * rng.uniform(0.75, 1.25),
        metal_j_k=thermal.metal_j_k * rng.uniform(0.75, 1.25),
        converter_j_k=thermal.converter_j_k * rng.uniform(0.8, 1.2),
        sump_metal_w_k=thermal.sump_metal_w_k * rng.uniform(0.7, 1.3),
        cooler_ua_w_k=thermal.cooler_ua_w_k * rng.uniform(0.8, 1.25),
        air_per_speed_kg_m=thermal.air_per_speed_kg_m * rng.uniform(0.8, 1.2),
        flow_l_min=thermal.flow_l_min * rng.uniform(0.85, 1.15),
        case_still_w_k=thermal.case_still_w_k * rng.uniform(0.7, 1.3),
        case_per_root_speed_w_k=thermal.case_per_root_speed_w_k * rng.uniform(0.7, 1.3),
        valve_open_c=thermal.valve_open_c + shift_k,
        valve_full_c=thermal.valve_open_c
        + shift_k
        + span * (thermal.valve_full_c - thermal.valve_open_c),
        valve_hysteresis_k=rng.uniform(3.0, 8.0),
        valve_lag_s=rng.uniform(10.0, 60.0),
        valve_flow_power=rng.uniform(1.0, 2.0),
        valve_leak=rng.uniform(0.0, 0.03),
    )
    if thermal.air_cooler_ua_w_k > 0.0:
        own = thermal.air_cooler_ua_w_k * rng.uniform(0.8, 1.25)
        thermal = replace(thermal, air_cooler_ua_w_k=own)
    body = replace(body, mass_kg=body.mass_kg * rng.uniform(0.9, 1.15))
    line = replace(
        line,
        mesh_loss=line.mesh_loss * rng.uniform(0.8, 1.25),
        lockup_slip_rpm=rng.uniform(4.0, 25.0),
    )
    told = rng.random() < 0.6
    return replace(
        plan,
        spec=replace(plan.spec, thermal=thermal, body=body, driveline=line),
        registration=replace(plan.registration, rated_torque_nm=line.peak_nm if told else None),
        gateway=replace(plan.gateway, linger_s=rng.choice((60.0, 60.0, 900.0))),
    )


def ask_for_trucks(parser: ArgumentParser) -> None:
    """Let a run be told which trucks to drive, and in how many processes."""
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    parser.add_argument(
        "--tuning", action="store_true", help="the trucks to tune on, not the reported ones"
    )


def seed_of(asked: Namespace) -> int:
    """Give the seed of the trucks that were asked for."""
    return TUNING_SEED if asked.tuning else REPORTED_SEED
