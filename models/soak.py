"""Ageing after key-off: hot fluid goes on ageing with nobody looking. An estimate, shown as one."""

from __future__ import annotations

from models.histogram import Bins
from models.layout import Layout


class SoakParams(Layout):
    """Prior of the truck's class."""

    time_constant_s: float  # how fast a parked truck's fluid cools [s]


class Soak(Layout):
    """State: estimated ageing while parked."""

    equivalent_s: float  # belongs to the fluid that is in the gearbox: a pan drop thins it
    bins_s: Bins
    parked_s: float  # time parked since the fill went in [s]
