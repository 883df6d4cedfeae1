"""Run lengths of sequential tests: by Markov chains, and by running the compiled steps themselves."""

from __future__ import annotations

import math
from functools import cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import toeplitz
from scipy.special import ndtr

from models.compiled import compiled
from models.layout import Layout, blank, dtype_of, record
from models.sequential import ShiryaevRoberts, Sprt, decide, suspect
from tests.bench.diagnosis.baselines import accumulate

Floats = NDArray[np.float64]

STATES = 400
"""Of a chain; twice as many move the figures in the sixth digit."""


def _moves(width: float, mean: float, sd: float) -> Floats:
    """Give the chance of going from each state to each, by a normal step."""
    edges = ndtr((width * (np.arange(-STATES, STATES) + 0.5) - mean) / sd)
    steps = np.diff(edges)  # by one less than all states downwards ... upwards
    return toeplitz(steps[STATES - 1 :: -1], steps[STATES - 1 :])


@cache
def chain_cusum(shift: float, k: float, h: float, start: float = 0.0) -> float:
    """Give the mean run length of a one-sided CUSUM of normal values (Brook and Evans 1972)."""
    width = 2.0 * h / (2 * STATES - 1)
    levels = width * np.arange(STATES)
    moves = _moves(width, shift - k, 1.0)
    moves[:, 0] = ndtr(0.5 * width - levels + k - shift)
    lengths = np.linalg.solve(np.eye(STATES) - moves, np.ones(STATES))
    return float(np.interp(start, levels, lengths))


def either(up: float, down: float) -> float:
    """Join the mean run lengths of two one-sided tests, of which the first to alarm counts."""
    return 1.0 / (1.0 / up + 1.0 / down)


class Sampled(NamedTuple):
    """A mean, and its standard error."""

    mean: float
    error: float

    def agrees(self, other: float, other_error: float = 0.0) -> bool:
        """Say whether another figure is within four standard errors: wrong once in 16,000."""
        return abs(self.mean - other) <= 4.0 * math.hypot(self.error, other_error)


def sampled(values: Floats) -> Sampled:
    return Sampled(float(values.mean()), float(values.std(ddof=1)) / math.sqrt(len(values)))


class Decisions(NamedTuple):
    """Share of decisions for the second hypothesis; mean number of values until one is made."""

    second: Sampled
    values: Sampled


def chain_sprt(mean: float, sd: float, upper: float, lower: float) -> Decisions:
    """Solve Wald's test with normal log ratios by a chain like that of ``chain_cusum``."""
    width = (upper - lower) / STATES
    levels = lower + width * (np.arange(STATES) + 0.5)
    over = ndtr((levels + mean - upper) / sd)
    moves = _moves(width, mean, sd)
    solved = np.linalg.solve(np.eye(STATES) - moves, np.column_stack([over, np.ones(STATES)]))
    second, values = (float(np.interp(0.0, levels, column)) for column in solved.T)
    return Decisions(Sampled(second, 0.0), Sampled(values, 0.0))


def _state(layout: type[Layout]) -> Any:
    return record(blank(dtype_of(layout)))


@compiled
def _run_cusums(
    lengths: Floats,
    random: Any,
    shift: float,
    k: float,
    h: float,
    start: float,
    phi: float,
    both: bool,
) -> None:
    fresh = math.sqrt(1.0 - phi * phi)
    for run in range(len(lengths)):
        up, down = start, start
        colour = random.standard_normal()
        while up < h and (down < h or not both):
            lengths[run] += 1.0
            up = accumulate(up, colour + shift, k)
            down = accumulate(down, -colour - shift, k)
            colour = phi * colour + fresh * random.standard_normal()


def run_cusum(
    runs: int,
    *,
    shift: float,
    k: float,
    h: float,
    start: float = 0.0,
    phi: float = 0.0,
    both: bool = False,
) -> Sampled:
    """Run the compiled CUSUM over normal values of variance 1 that hang together as an AR(1) does."""
    lengths = np.zeros(runs)
    random = np.random.default_rng([runs, round(1000 * shift), round(1000 * phi)])
    _run_cusums(lengths, random, shift, k, h, start, phi, both)
    return sampled(lengths)


@compiled
def _run_sprts(
    second: Floats,
    lengths: Floats,
    sprt: Any,
    random: Any,
    mean: float,
    sd: float,
    upper: float,
    lower: float,
) -> None:
    for run in range(len(lengths)):
        decision = 0
        while decision == 0:
            lengths[run] += 1.0
            decision = decide(sprt, mean + sd * random.standard_normal(), upper, lower)
        second[run] = 1.0 if decision == 1 else 0.0


def run_sprt(runs: int, mean: float, sd: float, upper: float, lower: float) -> Decisions:
    """Run the compiled test of Wald over normal log ratios; it begins again by itself."""
    second, lengths = np.zeros(runs), np.zeros(runs)
    random = np.random.default_rng([runs, round(1000 * upper), int(mean > 0.0)])
    _run_sprts(second, lengths, _state(Sprt), random, mean, sd, upper, lower)
    return Decisions(sampled(second), sampled(lengths))


@compiled
def _run_suspicions(
    lengths: Floats, state: Any, random: Any, shift: float, log_threshold: float, changed: bool
) -> None:
    offset = shift if changed else 0.0
    for run in range(len(lengths)):
        state.log_one_plus = 0.0
        log_r = -math.inf
        while log_r < log_threshold:
            lengths[run] += 1.0
            z = random.standard_normal() + offset
            log_r = suspect(state, shift * (z - 0.5 * shift), 1.0, 1.0)


def run_suspicion(
    runs: int, *, shift: float, log_threshold: float, changed: bool = False
) -> Sampled:
    """Run the compiled Shiryaev-Roberts statistic for a shift, over normal values that have it or not."""
    lengths = np.zeros(runs)
    random = np.random.default_rng([runs, round(1000 * shift), round(1000 * log_threshold)])
    state = _state(ShiryaevRoberts)
    _run_suspicions(lengths, state, random, shift, log_threshold, changed)
    return sampled(lengths)
