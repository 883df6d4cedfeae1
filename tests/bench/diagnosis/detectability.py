"""How well a fault can be told from a sound truck: the algebra of the bound, linear and Gaussian."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.stats import norm

from tests.bench.diagnosis.twins import Twins

MODEL_S = 1260.0
"""How long an error of a model of the fluid lasts [s], as ours does (``tests.bench.diagnosis.model_error``).
Half as long makes it easier to average away."""

RPM_MODEL_SD = 8.0
RPM_MODEL_S = 120.0
"""What the engine's speed while locked may be off by beside noise, and for how long [1/min, s]; own choice:
grade and gusts. Twice as much halves the separation of a small slip."""

TINY = 1e-12
"""A fault that adds nothing has no direction."""


def of_temperatures(twins: Twins) -> Twins:
    """Keep the temperatures alone."""
    return twins.part(twins.channel >= 0)


def known(twins: Twins) -> float:
    """Separation [-] for who knows the truck perfectly: the matched filter in the sensors' noise."""
    return math.sqrt(float(np.sum((twins.fault / twins.noise) ** 2)))


def learned(twins: Twins, *, model_sd_k: float | NDArray[np.float64]) -> float:
    """Separation [-] that is left when the truck's values are learned and the model errs by so much [K].

    ``model_sd_k``: the same for all readings, or shape (n,).
    """
    return matched(twins.fault, covariance(twins, model_sd_k))[0]


def covariance(twins: Twins, model_sd_k: float | NDArray[np.float64]) -> NDArray[np.float64]:
    """Covariance, shape (n, n), of what is not known: the truck's values, the model's errors, the noise."""
    unknown = twins.mimic @ twins.mimic.T + _model_error(twins, model_sd_k)
    unknown[np.diag_indices_from(unknown)] += twins.noise**2
    return unknown


def matched(
    fault: NDArray[np.float64], unknown: NDArray[np.float64]
) -> tuple[float, NDArray[np.float64]]:
    """Give separation [-] and weights, shape (n,), of the best test.

    The weighted sum of what is not known, of covariance ``unknown``, shape (n, n), has a variance of one.
    ``fault``, shape (n,): what is looked for.
    """
    solved: NDArray[np.float64] = cho_solve(cho_factor(unknown, lower=True), fault)
    separation = math.sqrt(max(0.0, float(fault @ solved)))
    return separation, solved / max(separation, TINY)


def _model_error(twins: Twins, model_sd_k: float | NDArray[np.float64]) -> NDArray[np.float64]:
    """Covariance, shape (n, n), of AR(1) errors, each channel by itself."""
    temperature = twins.channel >= 0
    sd = np.where(temperature, model_sd_k, RPM_MODEL_SD)
    lasts_s = np.where(temperature, MODEL_S, RPM_MODEL_S)
    apart_s = np.abs(twins.time_s[:, None] - twins.time_s[None, :])
    same = twins.channel[:, None] == twins.channel[None, :]
    error: NDArray[np.float64] = same * np.exp(-apart_s / lasts_s[:, None]) * np.outer(sd, sd)
    return error


def chance(separation: float, false_alarm: float) -> float:
    """Chance to find [-] at so many standard deviations and so likely a false alarm."""
    return float(norm.sf(norm.isf(false_alarm) - separation))
