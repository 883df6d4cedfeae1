"""A truck as the API gives it."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from alerts.alarm import State
from models.due import REASONS
from models.fleet import Circuit
from models.hypotheses import NAMES
from models.transition import Priority
from review.api.shape import Moment, OneOf, Shape, Share, Truck
from review.kinds import EVERY_KIND

Kind = Annotated[str, OneOf(EVERY_KIND)]
PriorityName = Annotated[str, OneOf(tuple(each.name.lower() for each in Priority))]
Standing = Literal["good", "never_heard", "out_of_date"]
Probability = Annotated[float, Field(examples=[0.97])]


class Now(Shape):
    """What a truck showed at its newest sample; null: not sent, or too long ago to hold."""

    at: Moment
    """When that was."""
    moving: bool
    """Whether it drove."""
    fluid_temp_c: float | None
    """Fluid in the gearbox, where the truck's sensor sits [°C]."""
    cooler_out_temp_c: float | None
    """Line to the cooler [°C]."""
    cooler_return_temp_c: float | None
    """Line back from the cooler [°C]."""
    ambient_temp_c: float | None
    """Outside air [°C]."""
    coolant_temp_c: float | None
    """Engine coolant [°C]."""
    speed_km_h: float | None
    """Road speed [km/h]."""
    engine_rpm: float | None
    """Engine speed [1/min]."""
    engine_torque_nm: float | None
    """Engine torque, told or from load [N·m]."""
    gear: int | None
    """Gear; 0 neutral or park, negative reverse."""
    lockup: bool | None
    """Whether the converter clutch is commanded on."""
    lockup_slip_rpm: float | None
    """Slip of the converter clutch [1/min]."""
    trailer: bool | None
    """Whether a trailer is hitched."""
    heat_made_w: float | None
    """Heat that the gearbox makes, as estimated [W]."""


class Account(Shape):
    """The heat account of the fluid that is in the truck."""

    life_used_share: Share
    """Share of the fluid's life that is used, best estimate [-]; 1: due."""
    life_used_low_share: Share
    """Lower end of 8 in 10 [-]."""
    life_used_high_share: Share
    """Upper end of 8 in 10 [-]."""
    antioxidant_left_share: float
    """Antioxidant left, of the new fluid's [-]."""
    oxidation_share: float
    """Life spent without antioxidant [-]; 0 while it protects."""
    equivalent_h: float
    """Measured hours, as hours at the reference temperature that age the fluid as much [h]."""
    soak_equivalent_h: float
    """The same of the time parked, an estimate [h]."""
    unseen_equivalent_h: float
    """The same of running without a reading, an estimate [h]."""
    mean_kinetic_temp_c: float | None
    """Mean kinetic temperature of what was seen [°C]."""
    hottest_temp_c: float | None
    """Hottest reading [°C]."""
    seen_h: float
    """Running with readings, since the fill went in [h]."""
    unseen_h: float
    """Running without [h]."""
    parked_h: float
    """Parked [h]."""
    driven_km: float
    """Driven since the fill went in [km]."""
    unseen_km: float
    """Of that, without readings [km]."""
    sensor_offset_k: float
    """How much too high the fluid's sensor reads, as far as is known [K]."""
    samples_count: int
    """Samples counted."""
    started_at: Moment | None
    """First sample of this account."""


class ServiceDue(Shape):
    """When the truck's service is due."""

    reason: Annotated[str, OneOf(REASONS)]
    """Which limit comes first."""
    overdue: bool
    """Whether it is due already; the three times are then since when."""
    median_at: Moment | None
    """When, as likely before as after; null: not within five years."""
    early_at: Moment | None
    """Early end of 8 in 10."""
    late_at: Moment | None
    """Late end of 8 in 10."""
    heat_share: float | None
    """How much of the limit by heat is used [-]."""
    distance_share: float | None
    """How much of the limit by distance is used [-]."""
    age_share: float | None
    """How much of the limit by age is used [-]."""
    distance_km: float | None
    """Driven since the last service [km]."""
    distance_limit_km: float | None
    """Limit of that [km]."""
    age_days: float | None
    """Days since the last service [d]."""
    age_limit_days: float | None
    """Limit of that [d]."""


class Cause(Shape):
    """One explanation of what the truck shows, weighed against all others."""

    name: Annotated[str, OneOf(NAMES)]
    """Its short name, as in the evidence of alarms."""
    probability: Probability
    """How likely it is [0..1]."""


class Missing(Shape):
    """A signal that does not come."""

    signal: str
    """What it is called."""
    cost: str
    """What its absence costs."""


class CircuitState(Shape):
    """What is known of the cooling circuit. Silence is not health: look at `judged` and `proven_at`."""

    judged: bool
    """Whether anything was ever weighed."""
    proven_at: Moment | None
    """When fluid was last seen to reach the cooler."""
    judged_at: Moment | None
    """When the circuit could last be judged."""
    unseen_since: Moment | None
    """Since when a fault would not show; null: it would."""
    suspected_since: Moment | None
    """Since when a fault is suspected."""
    learned_share: float
    """How far this truck's own values are known, 0 as its class, 1 well [-]."""
    fault_probability: Probability
    """That the circuit is not healthy [0..1]; 0 while nothing was weighed."""
    causes: list[Cause]
    """All that is weighed, the likeliest first."""
    missing: list[Missing]
    """Signals that are absent at the newest sample."""


class TooHot(Shape):
    """From where the fluid is too hot, as this truck's own sensor shows it."""

    limit_temp_c: float
    """Highest for sustained running [°C]."""
    high_temp_c: float
    """From here on the alarm is high [°C]."""
    critical_temp_c: float
    """From here on it is critical [°C]."""


class StandingAlarm(Shape):
    """An alarm that stands, in short."""

    id: str
    """Its id."""
    kind: Kind
    """What it is about."""
    priority: PriorityName
    """How urgent."""
    state: State
    """Its state, by IEC 62682."""
    onset_at: Moment
    """Since when."""
    title: str
    """What it is called."""


class TruckNow(Shape):
    """A truck as it stands."""

    name: Truck
    """Its name, as in its topic."""
    title: str
    """What people call it."""
    registered: bool
    """Whether fleet file or record know it; else its circuit is assumed."""
    groups: list[str]
    """Its groups in the fleet file."""
    circuit: Circuit
    """How it cools its fluid."""
    standing: Standing
    """Whether its account holds; `out_of_date`: it is computed anew at the daemon's next start."""
    trouble: str | None
    """Why the store could not be read for it, if so."""
    waiting: bool
    """Whether entries of its record do not count yet."""
    online: bool | None
    """Whether its gateway is connected; null: it does not say."""
    last_sample_at: Moment | None
    """Newest sample."""
    missing_samples_count: int
    """Samples of the gateway's own counter that never came."""
    now: Now | None
    """What it shows."""
    expected_fluid_temp_c: float | None
    """What its fluid would show now, were the circuit healthy [°C]."""
    expected_fluid_temp_sd_k: float | None
    """Standard deviation of that [K]."""
    limits: TooHot | None
    """Its temperatures of alarm."""
    account: Account | None
    """The heat account of its fluid."""
    due: ServiceDue | None
    """Its next service."""
    circuit_state: CircuitState | None
    """What is known of its cooling circuit."""
    alarms: list[StandingAlarm]
    """What stands, the most urgent first."""


class Trucks(Shape):
    """All trucks, by name."""

    trucks: list[TruckNow]
    """The trucks."""
    reading: bool
    """Whether the daemon is still reading the store after its start: then some are not in the list yet."""
