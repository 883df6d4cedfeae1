"""The circuit run several times abreast: as it is thought to be, and with one value or fault a step further.

The runs do not look at the reading; how far they part says what a reading tells of each value.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from models.circuit import (
    FAULT,
    FLUID,
    LN_CASE,
    LN_CONVERTER,
    LN_COOLER,
    LN_HEAT,
    LN_RISE,
    METAL,
    SHIFT,
    SINK,
    SITE,
    STATES,
    SUMP,
    CircuitParams,
    regulates,
    run,
)
from models.compiled import compiled
from models.hypotheses import AIR, FLOW, HEALTHY, OPEN, SHUT, SLIP
from models.least_squares import COLUMNS, OWN
from models.rows import copy_row

VALUES = np.array([LN_HEAT, LN_CASE, LN_COOLER, SINK, LN_CONVERTER, LN_RISE, SHIFT])
STEPS = np.array([0.1, 0.15, 0.1, 1.0, 0.15, 0.15, 2.0])
"""The truck's own values by column, and how far each is moved: ln of scales [-], sink and valve [K]."""

HEAT, SINK_C, RISE, VALVE = 0, 3, 5, 6
"""Columns of some of them."""

FAULTS = np.array([AIR, FLOW, SLIP, OPEN, SHUT])
NUMBERS = np.array([math.log(0.5), math.log(0.6), 0.05, 0.0, 0.0])
"""Faults by column after those, of size one: half of the air, six tenths of the fluid, slip of a twentieth of
the locked power, a valve at one end."""

RUNS = 1 + COLUMNS
HELD = 5
"""What is held of a run: fluid, metal, site [°C], the valve's element [°C] and opening [-]."""


@compiled
def of_one_size(column: int) -> bool:
    """Say whether a column is a fault that either is or is not: a valve at one of its ends."""
    return column >= OWN and bool(FAULTS[column - OWN] in (OPEN, SHUT))


@compiled
def read_from(params: CircuitParams) -> int:
    """Place, among what is held of a run, that the fluid's sensor reads."""
    return 0 if params.site == SUMP else 2


@compiled
def set_out_abreast(
    runs: NDArray[np.float64], sump_c: float, fluid_c: float, goes_on: bool
) -> None:
    """Set all runs, shape (``RUNS``, ``HELD``), to what is held of the sump and to the reading [°C].

    ``goes_on``: the drive does, with metal and valve as they were; else all is as warm as the sump.
    """
    metal_k = runs[0, 1] - runs[0, 0] if goes_on else 0.0
    element_c = runs[0, 3] if goes_on else sump_c
    opening = runs[0, 4] if goes_on else 0.0
    for place in range(RUNS):
        runs[place, 0], runs[place, 2] = sump_c, fluid_c
        runs[place, 1] = sump_c + metal_k
        runs[place, 3], runs[place, 4] = element_c, opening


@compiled
def run_abreast(
    params: CircuitParams,
    own: NDArray[np.float64],
    duty: NDArray[np.float64],
    runs: NDArray[np.float64],
) -> None:
    """Run all through a window; ``own``: the truck's values, shape (``OWN``,)."""
    x, valve = np.zeros(STATES), np.zeros(2)
    for place in range(RUNS):
        if place > 0 and not _differs(params, place - 1):
            copy_row(runs[place], runs[0])
            continue
        hypothesis = int(HEALTHY)
        x[FAULT] = 0.0
        for value in range(OWN):
            step = STEPS[value] if place == 1 + value else 0.0
            x[VALUES[value]] = own[value] + step
        if place > OWN:
            hypothesis = FAULTS[place - OWN - 1]
            x[FAULT] = NUMBERS[place - OWN - 1]
        x[FLUID], x[METAL], x[SITE] = runs[place, 0], runs[place, 1], runs[place, 2]
        valve[0], valve[1] = runs[place, 3], runs[place, 4]
        run(params, hypothesis, duty, x, valve)
        runs[place, 0], runs[place, 1], runs[place, 2] = x[FLUID], x[METAL], x[SITE]
        runs[place, 3], runs[place, 4] = valve[0], valve[1]


@compiled
def _differs(params: CircuitParams, column: int) -> bool:
    """Say whether a column means anything for the circuit: a rise over the sump, a valve."""
    if column == RISE:
        return bool(params.site != SUMP)
    return regulates(params) or not (column == VALVE or of_one_size(column))


@compiled
def add_parted(
    runs: NDArray[np.float64],
    place: int,
    fluid_c: float,
    weight: float,
    sums: NDArray[np.float64],
) -> None:
    """Add to the sums, shape (``RUNS``,), how far the reading is off and what each column would add to it.

    ``place``: where it is read (``read_from``); ``fluid_c`` [°C]; ``weight``: how much it counts.
    """
    sums[0] += weight * (fluid_c - runs[0, place])
    for column in range(COLUMNS):
        step = STEPS[column] if column < OWN else 1.0
        sums[1 + column] += weight * (runs[1 + column, place] - runs[0, place]) / step
