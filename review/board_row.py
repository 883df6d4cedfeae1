"""One truck as it stands now, all that a page shows of it: pure, from what the store holds."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from alerts.hold import Hold
from alerts.ledger import Alarm
from models.due import Due
from models.fleet import FITTINGS, Vehicle
from models.hypotheses import NAMES
from models.layout import record
from models.statement import Statement
from review.circuit_standing import CircuitStanding, circuit_of
from review.reading import Standing, Stored
from review.standing import due_now

SHUT_BELOW, OPEN_FROM = 0.1, 0.9
"""Share of the way below which a valve is called shut, and from which open [-]; own choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Signals:
    """What a truck showed at its newest sample; None: not sent, or too long ago to hold.

    ``time_ms`` [Unix ms]; temperatures [°C], ``speed_km_h`` [km/h], ``rpm`` and ``slip_rpm`` [1/min],
    ``torque_nm`` and what the engine can give, ``rated_torque_nm`` [N·m], ``heat_w`` made in the gearbox [W].
    """

    time_ms: int
    moving: bool
    fluid_c: float | None
    line_out_c: float | None
    line_return_c: float | None
    air_c: float | None
    coolant_c: float | None
    speed_km_h: float | None
    rpm: float | None
    torque_nm: float | None
    rated_torque_nm: float
    gear: int | None
    lockup: bool | None
    slip_rpm: float | None
    trailer: bool | None
    heat_w: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """From where the fluid is too hot [°C], as this truck's own sensor shows it."""

    limit_c: float
    high_c: float
    critical_c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Valve:
    """Where the valve of a circuit stands, by the estimate.

    ``odds``: how likely it is ``shut``, ``partly`` open or ``open`` [-]; ``share`` of the way that it is open
    on average [-]; ``healthy_share`` [-], where a healthy one would stand.
    """

    odds: Mapping[str, float]
    share: float
    healthy_share: float

    @property
    def word(self) -> str:
        """Say where it most likely stands."""
        return max(self.odds, key=lambda word: self.odds[word])


@dataclass(frozen=True, slots=True, kw_only=True)
class TruckLive:
    """One truck now.

    ``vehicle`` is what it is by fleet file and record; ``standing``, ``waiting`` as ``Stored`` has them.
    ``version``: of the board when it last changed. Whatever needs an account is None without one;
    ``expected_c`` with ``expected_sd_k`` is what the fluid would show if the circuit were healthy [°C, K].
    ``judged_at_ms``: when its circuit was last weighed [Unix ms]; ``silent_after_s``: how long it may be
    quiet while it moves [s]. ``alarms`` stand, the most urgent first; ``holds`` keep some from telling.
    ``trouble``: why it could not be read, else empty.
    """

    name: str
    vehicle: Vehicle
    groups: tuple[str, ...]
    standing: Standing
    version: int = 0
    waiting: bool = False
    last_ms: int | None = None
    online: bool | None = None
    signals: Signals | None = None
    expected_c: float | None = None
    expected_sd_k: float | None = None
    limits: Limits | None = None
    valve: Valve | None = None
    judged_at_ms: int | None = None
    silent_after_s: float = 0.0
    account: Statement | None = None
    due: Due | None = None
    circuit_standing: CircuitStanding | None = None
    seq: int | None = None
    missing_samples: int = 0
    alarms: tuple[Alarm, ...] = ()
    holds: tuple[Hold, ...] = ()
    trouble: str = ""

    @property
    def title(self) -> str:
        """What people call it."""
        return self.vehicle.title or self.name

    @property
    def registered(self) -> bool:
        """Whether the fleet file or the record knows it."""
        return self.vehicle.registered

    @property
    def circuit(self) -> str:
        """How it cools its fluid."""
        return self.vehicle.circuit

    @property
    def fittings(self) -> tuple[str, ...]:
        """What its circuit has beside its cooler, as in the fleet file."""
        return tuple(name for name in FITTINGS if getattr(self.vehicle, name))


def truck_live(stored: Stored, now_ms: int, groups: tuple[str, ...] = ()) -> TruckLive:
    """Write how a truck stands; alarms and holds are laid over it by the board."""
    held = stored.held
    if held is None or stored.state is None:
        return TruckLive(
            name=stored.name,
            vehicle=stored.vehicle,
            groups=groups,
            standing=stored.standing,
            waiting=stored.waiting,
        )
    params, truck = stored.params, record(stored.state).truck
    expected_c, expected_sd_k = _expected(truck.thermal)
    return TruckLive(
        name=stored.name,
        vehicle=stored.vehicle,
        groups=groups,
        standing=stored.standing,
        waiting=stored.waiting,
        last_ms=held.last_ms,
        online=held.online,
        signals=_signals(params, truck.latest),
        expected_c=expected_c,
        expected_sd_k=expected_sd_k,
        limits=_limits(params),
        valve=_valve(stored.vehicle, truck.thermal),
        judged_at_ms=int(truck.thermal.known_ms) or None,
        silent_after_s=float(params.silence.silent_after_s),
        account=stored.statement,
        due=due_now(stored, now_ms),
        circuit_standing=circuit_of(params, truck),
        seq=held.sequence.gap_free,
        missing_samples=held.sequence.missing,
    )


def _signals(params: Any, view: Any) -> Signals:
    gear, lockup, trailer = _known(view.gear), _known(view.lockup), _known(view.trailer)
    return Signals(
        time_ms=int(view.time_ms),
        moving=bool(view.moving),
        fluid_c=_known(view.fluid_c),
        line_out_c=_known(view.line_out_c),
        line_return_c=_known(view.line_return_c),
        air_c=_known(view.air_c) if view.air_ms else None,
        coolant_c=_known(view.coolant_c) if view.coolant_ms else None,
        speed_km_h=_known(view.speed_km_h) if view.speed_ms else None,
        rpm=_known(view.rpm) if view.rpm_ms else None,
        torque_nm=_known(view.torque_nm) if view.torque_ms else None,
        rated_torque_nm=float(params.latest.rated_torque_nm),
        gear=None if gear is None or not view.gear_ms else int(gear),
        lockup=None if lockup is None or not view.lockup_ms else bool(lockup),
        slip_rpm=_known(view.slip_rpm) if view.slip_ms else None,
        trailer=None if trailer is None or not view.trailer_ms else bool(trailer),
        heat_w=_known(view.heat_w),
    )


def _limits(params: Any) -> Limits:
    hot = params.over_temperature
    return Limits(
        limit_c=float(hot.limit_c), high_c=float(hot.high_c), critical_c=float(hot.critical_c)
    )


def _expected(thermal: Any) -> tuple[float | None, float | None]:
    if not thermal.started or thermal.stale or not thermal.known_ms:
        return None, None
    return _known(thermal.expectation.celsius), _known(thermal.expectation.sd_k)


def _valve(vehicle: Vehicle, thermal: Any) -> Valve | None:
    """Weigh where each hypothesis has the valve; what is said of the sensor says nothing of it."""
    if not thermal.started or not has_valve(vehicle):
        return None
    told = [
        (float(thermal.p[place]), float(thermal.bank.valve[2 * place + 1]))
        for place in range(len(NAMES) - 1)
    ]
    total = sum(odd for odd, _ in told)
    if total <= 0.0:
        return None
    odds = {"shut": 0.0, "partly": 0.0, "open": 0.0}
    for odd, share in told:
        odds[opening_word(share)] += odd / total
    return Valve(
        odds=MappingProxyType(odds),
        share=sum(odd * share for odd, share in told) / total,
        healthy_share=told[0][1],
    )


def has_valve(vehicle: Vehicle) -> bool:
    """Say whether a circuit has a valve that lets more or less of its heat go."""
    return vehicle.circuit == "thermostatic_bypass" or vehicle.coolant_valve


def opening_word(share: float) -> str:
    """Name how far a valve is open: shut, partly or open."""
    if share < SHUT_BELOW:
        return "shut"
    return "open" if share >= OPEN_FROM else "partly"


def _known(value: Any) -> float | None:
    number = float(value)
    return number if math.isfinite(number) else None
