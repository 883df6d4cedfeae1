"""One simulated truck from the road to its gateway."""

from __future__ import annotations

from random import Random

from simulator.faults import Fault, apply_to_truck
from simulator.gateway import Gateway, Outgoing
from simulator.physics.truck import Truck
from simulator.plan import TruckPlan
from simulator.routes import Duty
from simulator.sensors import Sensors

STEP_S = 1
"""Step of the physics [s]: a quarter of the fastest time constant, and the finest sampling."""


class Rig:
    """Truck, duty, sensors and gateway, advanced together in whole seconds."""

    __slots__ = (
        "_duty",
        "_elapsed_s",
        "_off_s",
        "_plan",
        "_sensors",
        "_start_ms",
        "_truck_faults",
        "gateway",
        "samples",
        "truck",
    )

    def __init__(self, plan: TruckPlan, *, start_ms: int, seed: int) -> None:
        vehicle = plan.vehicle
        self._plan = plan
        self._start_ms = start_ms
        self._elapsed_s = 0
        self._off_s = 0.0
        self.samples = 0
        self._duty = Duty(plan.route)
        self._truck_faults: tuple[Fault, ...] = tuple(
            fault for fault in plan.faults if fault.place == "truck"
        )
        self.truck = Truck(
            plan.spec,
            weather=plan.weather,
            start_s=start_ms / 1000.0,
            rng=Random(f"{seed}/{vehicle}/road"),
            start_temp_c=plan.start_temp_c,
        )
        self._sensors = Sensors(
            plan.fit,
            plan.faults,
            Random(f"{seed}/{vehicle}/sensors"),
            odometer_km=plan.odometer_km,
            engine_hours_h=plan.engine_hours_h,
        )
        self.gateway = Gateway(
            vehicle,
            plan.gateway,
            faults=plan.faults,
            start_ms=start_ms,
            rng=Random(f"{seed}/{vehicle}/gateway"),
        )

    @property
    def powered(self) -> bool:
        """Whether the gateway has power: engine on, or off for less than it lingers."""
        gateway = self._plan.gateway
        return gateway.always_on or self._off_s <= gateway.linger_s

    def advance(self, now_ms: int) -> None:
        """Simulate up to ``now_ms``, storing each sample that falls due."""
        until = (now_ms - self._start_ms) // 1000
        while self._elapsed_s < until:
            self._step()

    def messages(self, now_ms: int, clock_s: float, most: int = 3) -> list[Outgoing]:
        """Return what the gateway sends now."""
        return self.gateway.messages(now_ms, clock_s=clock_s, powered=self.powered, most=most)

    def _step(self) -> None:
        elapsed = self._elapsed_s
        truck = self.truck
        if self._truck_faults:
            apply_to_truck(self._truck_faults, elapsed, truck.effects)
        segment = self._duty.follow(elapsed, truck.distance_m)
        truck.step(
            STEP_S,
            self._start_ms / 1000.0 + elapsed,
            target_m_s=segment.speed_km_h / 3.6,
            grade_pct=segment.grade_pct,
            trailer_kg=segment.trailer_kg,
            engine_on=segment.engine_on,
        )
        self._off_s = 0.0 if segment.engine_on else self._off_s + STEP_S
        self._elapsed_s = elapsed = elapsed + STEP_S
        if elapsed % self._plan.fit.period_s == 0 and self.powered:
            signals = self._sensors.read(truck, elapsed)
            if signals:
                self.samples += 1
                self.gateway.record(signals, self._start_ms + 1000 * elapsed)
