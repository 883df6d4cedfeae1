"""From a truck's name to its parameters: the fleet file on one side, the models on the other."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from numpy.typing import NDArray

from models.fleet import Fleet
from models.parameters import parameters

ParamsOf = Callable[[str], NDArray[Any]]
"""Gives the parameters (record ``PARAMS``, shape (1,)) of a truck by name."""


def params_of(fleet: Fleet, *, max_gap_s: float, silent_after_s: float) -> ParamsOf:
    """Give the look-up for a fleet; a truck that is not in it has every default."""
    known: dict[str, NDArray[Any]] = {}

    def look_up(name: str) -> NDArray[Any]:
        if name not in known:
            vehicle = fleet.vehicle(name)
            known[name] = parameters(
                vehicle,
                fleet.fluid_of(vehicle),
                max_gap_s=max_gap_s,
                silent_after_s=silent_after_s,
            )
        return known[name]

    return look_up
