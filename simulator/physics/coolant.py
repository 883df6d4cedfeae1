"""Engine coolant: one node, a thermostat, a radiator and a fan."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class CoolantSpec:
    """Coolant side of one truck; magnitudes are common practice, no source."""

    capacity_j_k: float = 90_000.0
    idle_heat_w: float = 4_000.0
    heat_per_brake_power: float = 0.5
    thermostat_open_c: float = 84.0
    thermostat_full_c: float = 96.0
    radiator_still_w_k: float = 150.0
    radiator_per_speed_w_k: float = 75.0
    radiator_fan_w_k: float = 1_100.0
    fan_on_c: float = 97.0
    fan_off_c: float = 92.0


class Coolant:
    """Temperature of the coolant and the state of its fan."""

    __slots__ = ("fan", "radiator_w", "spec", "temp_c")

    def __init__(self, spec: CoolantSpec, start_c: float) -> None:
        self.spec = spec
        self.temp_c = start_c
        self.fan = 0.0
        self.radiator_w = 0.0

    def step(
        self,
        dt_s: float,
        *,
        power_w: float,
        running: bool,
        gain_w: float,
        speed_m_s: float,
        ambient_c: float,
    ) -> None:
        """Advance by ``dt_s``; ``gain_w`` is what a fluid exchanger gives it."""
        spec = self.spec
        temp = self.temp_c
        heat = gain_w
        opening = 0.0
        if running:
            heat += spec.idle_heat_w + spec.heat_per_brake_power * max(power_w, 0.0)
            span = spec.thermostat_full_c - spec.thermostat_open_c
            opening = min(max((temp - spec.thermostat_open_c) / span, 0.0), 1.0)
        self._switch_fan(running)
        conductance = 12.0 + opening * (
            spec.radiator_still_w_k
            + spec.radiator_per_speed_w_k * speed_m_s
            + spec.radiator_fan_w_k * self.fan
        )
        # The exact decay over the step: a fully open radiator must not be able to overshoot.
        share = 1.0 - math.exp(-conductance * dt_s / spec.capacity_j_k)
        self.radiator_w = conductance * (temp - ambient_c)
        self.temp_c = temp + (heat / conductance + ambient_c - temp) * share

    def _switch_fan(self, running: bool) -> None:
        if not running:
            self.fan = 0.0
        elif self.temp_c > self.spec.fan_on_c:
            self.fan = 1.0
        elif self.temp_c < self.spec.fan_off_c:
            self.fan = 0.25
