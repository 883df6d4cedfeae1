"""Heat exchangers by effectiveness and number of transfer units."""

from __future__ import annotations

import math

AIR_HEAT_J_KGK = 1006.7
"""Specific heat of air at 30 °C [J/kgK]; CoolProp 8.0.0."""


def crossflow_effectiveness(units: float, ratio: float) -> float:
    """Effectiveness of a crossflow exchanger with both streams unmixed.

    ``1 − exp[NTU^0.22/Cr · (exp(−Cr·NTU^0.78) − 1)]``: Incropera and DeWitt, Fundamentals of
    Heat and Mass Transfer, table 11.3 (from memory); equal to ``ht.effectiveness_from_NTU``
    with subtype 'crossflow approximate'.
    """
    if units <= 0.0:
        return 0.0
    if ratio < 1e-6:
        return 1.0 - math.exp(-units)
    return 1.0 - math.exp(units**0.22 / ratio * (math.exp(-ratio * units**0.78) - 1.0))


def counterflow_effectiveness(units: float, ratio: float) -> float:
    """Effectiveness of a counterflow exchanger, same table; ``ht`` subtype 'counterflow'."""
    if units <= 0.0:
        return 0.0
    if abs(ratio - 1.0) < 1e-9:
        return units / (1.0 + units)
    decay = math.exp(-units * (1.0 - ratio))
    return (1.0 - decay) / (1.0 - ratio * decay)


class Exchanger:
    """A cooler core: its conductance at reference flows, split between the two sides."""

    __slots__ = ("_resist_hot", "_resist_sink", "counterflow", "hot_ref", "sink_ref")

    def __init__(
        self,
        *,
        ua_w_k: float,
        hot_ref_w_k: float,
        sink_ref_w_k: float,
        hot_share: float = 0.45,
        counterflow: bool = False,
    ) -> None:
        self._resist_hot = hot_share / ua_w_k
        self._resist_sink = (1.0 - hot_share) / ua_w_k
        self.hot_ref = hot_ref_w_k
        self.sink_ref = sink_ref_w_k
        self.counterflow = counterflow

    def conductance_w_k(self, hot_w_k: float, sink_w_k: float) -> float:
        """Heat per kelvin between the two inlets, ``ε·C_min`` [W/K], for two capacity rates.

        Film coefficients go with flow to the power 0.5 (fluid, near laminar) and 0.6 (air over
        fins): common practice, no source.
        """
        if hot_w_k < 0.01 or sink_w_k < 0.01:
            return 0.0
        resistance = (
            self._resist_hot * (self.hot_ref / hot_w_k) ** 0.5
            + self._resist_sink * (self.sink_ref / sink_w_k) ** 0.6
        )
        least, most = (hot_w_k, sink_w_k) if hot_w_k < sink_w_k else (sink_w_k, hot_w_k)
        units = 1.0 / (resistance * least)
        if self.counterflow:
            return least * counterflow_effectiveness(units, least / most)
        return least * crossflow_effectiveness(units, least / most)


def air_rate_w_k(speed_m_s: float, fan: float, *, per_speed: float, fan_kg_s: float) -> float:
    """Capacity rate of the air [W/K]: ram air and fan, added as their pressures add."""
    ram = per_speed * speed_m_s
    blown = fan_kg_s * fan
    return AIR_HEAT_J_KGK * math.sqrt(ram * ram + blown * blown)
