"""What the fluid would show if the circuit were healthy: the healthy filter, run on from before the doubt."""

from __future__ import annotations

import math
from typing import Annotated

import numpy as np
from numpy.typing import NDArray

from models.circuit import FLUID, STATES, SUMP, CircuitParams, read_at
from models.compiled import compiled
from models.hypotheses import HEALTHY
from models.hypothesis_filter import predict
from models.layout import Layout
from models.rows import copy_row, copy_square
from models.setting_out import warm_up

TRUSTED_FROM = 0.9
"""Probability of a healthy truck from which what was learned is taken as it is now [-]; own choice."""


class Expectation(Layout):
    """State: the healthy filter as it was when last trusted, run on since without learning."""

    x: Annotated[NDArray[np.float64], STATES]
    cov: Annotated[NDArray[np.float64], STATES * STATES]
    valve: Annotated[NDArray[np.float64], 2]
    celsius: float  # what the fluid's sensor would show, not a number: not known [°C]
    sd_k: float


@compiled
def trust(
    params: CircuitParams,
    expectation: Expectation,
    x: NDArray[np.float64],
    cov: NDArray[np.float64],
    valve: NDArray[np.float64],
) -> None:
    """Take over what the healthy filter holds."""
    copy_row(expectation.x[0:STATES], x)
    copy_square(expectation.cov.reshape((STATES, STATES)), cov)
    copy_row(expectation.valve[0:2], valve)
    _tell(params, expectation)


@compiled
def run_on(
    params: CircuitParams,
    expectation: Expectation,
    duty: NDArray[np.float64],
    heat_sd_kw: float,
    lasting_sd_kw: float,
    scale: float,
) -> None:
    """Let it run on through a window (``models.hypothesis_filter.predict``)."""
    x, valve = expectation.x[0:STATES], expectation.valve[0:2]
    cov = expectation.cov.reshape((STATES, STATES))
    line = params.site != SUMP
    predict(
        params,
        int(HEALTHY),  # a constant would be compiled for once more
        line,
        duty,
        heat_sd_kw,
        lasting_sd_kw,
        scale,
        x,
        cov,
        valve,
    )
    _tell(params, expectation)


@compiled
def set_out(
    params: CircuitParams, expectation: Expectation, fluid_c: float, gap_s: float
) -> None:
    """Set out from a reading after a gap [°C, s]."""
    cov = expectation.cov.reshape((STATES, STATES))
    warm_up(params, fluid_c, gap_s, expectation.x[0:STATES], cov)
    expectation.valve[0] = expectation.x[FLUID]
    expectation.valve[1] = 0.0
    _tell(params, expectation)


@compiled
def _tell(params: CircuitParams, expectation: Expectation) -> None:
    place = read_at(params)
    expectation.celsius = expectation.x[place]
    expectation.sd_k = math.sqrt(
        max(0.0, expectation.cov.reshape((STATES, STATES))[place, place])
    )
