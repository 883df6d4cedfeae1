"""What the last stretches of driving say together: has something changed since one of them began.

The filters (``models.bank``) judge a window by those before it and must doubt the heat made in each; a cooler
that has lost a quarter stays within that. Over hours the errors of the balance come and go (they last some
twenty minutes), and the loss stays. So here the circuit is run through each drive without a look at the
reading (``models.abreast``). By how much it is off, and by how much more or less it would be with another
value of the truck or with a fault, is kept as sums of a straight fit (``models.least_squares``), stretch by
stretch. A fault since the beginning of any of the last stretches is weighed by what it explains beyond the
truck's own values: a generalized likelihood ratio (Willsky and Jones 1976, from memory), linear about what
the truck has shown.
"""

from __future__ import annotations

import math
from typing import Annotated

import numpy as np
from numpy.typing import NDArray

from models import priors
from models.abreast import (
    FAULTS,
    HEAT,
    HELD,
    NUMBERS,
    RUNS,
    SINK_C,
    VALUES,
    add_parted,
    run_abreast,
    set_out_abreast,
)
from models.circuit import FLUID, SPAN_S, TANK, CircuitParams, read_at
from models.compiled import compiled
from models.hypotheses import COUNT, OPEN, SHUT
from models.layout import Layout
from models.least_squares import (
    COLUMNS,
    OWN,
    ROWS,
    SIZE,
    add_reading,
    explained,
    factor,
    solve,
)
from models.rows import copy_row
from models.stretch_odds import any_odds, tell_odds

KEPT = 8
"""Stretches that a fault may have begun with [-]; what was before them is one sum. Own choice: four days."""

BLOCK = 6
"""Windows that make one reading [-]: some three minutes, short beside ``LASTS_S``."""

LEAST = 12
"""Readings of a stretch, and of driving before a fault [-]: more than half an hour; own choice."""

LASTS_S = 1260.0
"""How long an error of the balance lasts [s]: the autocorrelation of what the best fit of two nodes leaves of
186 sound tuning trucks, through whole drives, is 0.62, 0.49 and 0.26 after 10, 15 and 30 minutes."""

FINE = 0.02
"""Share of its variance that does not last [-]; own choice."""

WILD = 4.0
"""Most that one reading counts for [standard deviations]; own choice."""

PAUSE_S = 900.0
"""Gap up to which a drive goes on, the metal as far from the fluid as it was [s]; own choice."""

FADES = 0.9
"""What the sum of all that was before keeps when a stretch joins it [-]: a truck changes over weeks."""

WORTH = 60.0
"""Readings that the stated size of the error is worth [-]: three hours; own choice."""

SIZE_SD, HEAT_SD, SINK_SD_K = 2.0, 0.3, 5.0
"""How large a fault is beside those of ``models.abreast`` [-], and a change of the heat's scale [-] or of the
sink [K], one standard deviation; own choice."""


class Stretches(Layout):
    """State: runs abreast, the block being filled, sums by stretch, and what they say."""

    runs: Annotated[NDArray[np.float64], RUNS * HELD]
    own: Annotated[NDArray[np.float64], OWN]  # the truck's own values that they take
    block: Annotated[NDArray[np.float64], RUNS]  # sums over its windows
    before: Annotated[NDArray[np.float64], RUNS]  # means of the block before it
    windows: int  # of the block
    block_s: float
    driven_s: float  # since the runs set out
    middle_s: float  # of the block before, 0: there is none
    sums: Annotated[NDArray[np.float64], (KEPT + 1) * SIZE]  # all before, then each stretch
    began_ms: Annotated[NDArray[np.float64], KEPT + 1]
    newest: int  # place of the stretch that is being driven, 0: none yet
    since: int  # the stretch that the likeliest fault began with, 0: none
    odds: Annotated[NDArray[np.float64], COUNT]  # of a fault against a sound truck
    number: Annotated[NDArray[np.float64], COUNT]  # the fault's own number
    number_var: Annotated[NDArray[np.float64], COUNT]


@compiled
def set_out_again(
    params: CircuitParams, stretches: Stretches, fluid_c: float, time_ms: int, gap_s: float
) -> None:
    """Take the runs up from a reading [°C] after a gap [s]; after a long one, begin a new stretch."""
    goes_on = stretches.newest > 0 and gap_s < PAUSE_S
    set_out_abreast(stretches.runs.reshape((RUNS, HELD)), fluid_c, goes_on)
    _clear_block(stretches)
    stretches.driven_s = stretches.middle_s = 0.0
    rows = stretches.sums.reshape((KEPT + 1, SIZE))
    if stretches.newest == 0:
        stretches.newest = 1
        stretches.began_ms[1] = time_ms
    elif not goes_on and rows[stretches.newest, ROWS] >= LEAST:
        _fit(params, stretches)
        _next_stretch(stretches, rows)
        stretches.began_ms[stretches.newest] = time_ms


@compiled
def look_along(
    params: CircuitParams,
    begins_per_h: NDArray[np.float64],
    error_sd_k: float,
    stretches: Stretches,
    duty: NDArray[np.float64],
    fluid_c: float,
    counts: bool,
) -> None:
    """Take a window in.

    Parameters
    ----------
    params, begins_per_h
        The circuit; how often each fault begins [1/h], shape (``COUNT``,), 0: it cannot be.
    error_sd_k
        Standard deviation of what the balance is off by [K].
    stretches
        Changed.
    duty, fluid_c
        Means over the window, shape (``DUTY``,); the reading at its end [°C].
    counts
        False: what went in, or the reading, is not known well enough; the runs go on.
    """
    runs = stretches.runs.reshape((RUNS, HELD))
    run_abreast(params, stretches.own, duty, runs)
    stretches.driven_s += duty[SPAN_S]
    if not counts:
        return
    place = 0 if read_at(params) == FLUID else 2
    add_parted(runs, place, fluid_c, duty[SPAN_S], stretches.block)
    stretches.block_s += duty[SPAN_S]
    stretches.windows += 1
    if stretches.windows >= BLOCK:
        _close_block(error_sd_k, stretches)
        _weigh(params, begins_per_h, stretches)


@compiled
def _clear_block(stretches: Stretches) -> None:
    for place in range(RUNS):
        stretches.block[place] = 0.0
    stretches.windows = 0
    stretches.block_s = 0.0


@compiled
def _close_block(error_sd_k: float, stretches: Stretches) -> None:
    """Make a reading of the block: what is new in it beside the one before, in standard deviations."""
    middle_s = stretches.driven_s - 0.5 * stretches.block_s
    lasts = 0.0
    grown = 1.0 - math.exp(-2.0 * middle_s / LASTS_S)  # the runs set out from a reading
    if stretches.middle_s > 0.0:
        lasts = math.exp(-(middle_s - stretches.middle_s) / LASTS_S)
        grown = 1.0 - lasts * lasts
    scale = error_sd_k * math.sqrt(grown + FINE)
    new = np.empty(RUNS)
    for place in range(RUNS):
        mean = stretches.block[place] / stretches.block_s
        new[place] = (mean - lasts * stretches.before[place]) / scale
        stretches.before[place] = mean
    weight = WILD / max(WILD, abs(new[0]))
    for value in range(OWN):
        new[0] += new[1 + value] * stretches.own[value]
    for place in range(RUNS):
        new[place] *= weight
    rows = stretches.sums.reshape((KEPT + 1, SIZE))
    add_reading(rows[stretches.newest], new[1:RUNS], new[0])
    stretches.middle_s = middle_s
    _clear_block(stretches)


@compiled
def _known_before(params: CircuitParams) -> NDArray[np.float64]:
    """What is known of the own values before they show: one over variance, shape (``OWN``,)."""
    known = np.empty(OWN)
    for value in range(OWN):
        spread = priors.SD[VALUES[value]]
        if value == SINK_C and params.kind >= TANK:
            spread = priors.TANK_SINK_SD_K
        known[value] = 1.0 / (spread * spread)
    return known


@compiled
def _add_up(rows: NDArray[np.float64], newest: int) -> NDArray[np.float64]:
    total = np.zeros(SIZE)
    for row in range(newest + 1):
        for place in range(SIZE):
            total[place] += rows[row, place]
    return total


@compiled
def _fit(params: CircuitParams, stretches: Stretches) -> None:
    """Run the circuit from now on as the truck has shown itself."""
    root, half = np.zeros((OWN, OWN)), np.zeros(OWN)
    total = _add_up(stretches.sums.reshape((KEPT + 1, SIZE)), stretches.newest)
    factor(total, _known_before(params), root, half)
    solve(root, half, stretches.own)
    for value in range(OWN):
        least, most = priors.LEAST[VALUES[value]], priors.MOST[VALUES[value]]
        stretches.own[value] = max(least, min(most, stretches.own[value]))


@compiled
def _next_stretch(stretches: Stretches, rows: NDArray[np.float64]) -> None:
    """Begin a stretch; where there are enough, two that are kept become one.

    While a fault is the likelier, the moment at which it began stays between two of them.
    """
    if stretches.newest < KEPT:
        stretches.newest += 1
        return
    into, keeps = 0, FADES
    if stretches.since == 1 and any_odds(stretches.odds) > 1.0:
        into, keeps = 1, 1.0
    for place in range(SIZE):
        rows[into, place] = keeps * rows[into, place] + rows[into + 1, place]
    for row in range(into + 1, KEPT):
        copy_row(rows[row], rows[row + 1])
        stretches.began_ms[row] = stretches.began_ms[row + 1]
    for place in range(SIZE):
        rows[KEPT, place] = 0.0
    stretches.since = max(into, stretches.since - 1)


@compiled
def _weigh(
    params: CircuitParams, begins_per_h: NDArray[np.float64], stretches: Stretches
) -> None:
    """Weigh each fault since each of the stretches, and that heat or sink alone are told otherwise."""
    rows = stretches.sums.reshape((KEPT + 1, SIZE))
    total = _add_up(rows, stretches.newest)
    root, half, since = np.zeros((OWN, OWN)), np.zeros(OWN), np.zeros(SIZE)
    left = factor(total, _known_before(params), root, half)
    gains, began = np.zeros(COLUMNS), np.zeros(COLUMNS)
    for row in range(stretches.newest, 0, -1):
        for place in range(SIZE):
            since[place] += rows[row, place]
        if total[ROWS] - since[ROWS] < LEAST:
            break
        for column in range(COLUMNS):
            size, known = _explained(root, half, since, column)
            gain = size * size * known
            if column >= OWN and _of_one_size(column):
                gain = (2.0 * size - 1.0) * known
            if gain > gains[column]:
                gains[column], began[column] = gain, row
                _note_number(stretches, column, size, known)
    variance = (left - gains.max() + WORTH) / (total[ROWS] + WORTH)
    likeliest = tell_odds(params, begins_per_h, gains, variance, stretches.odds)
    stretches.since = int(began[likeliest])


@compiled
def _explained(
    root: NDArray[np.float64],
    half: NDArray[np.float64],
    since: NDArray[np.float64],
    column: int,
) -> tuple[float, float]:
    """Give size and certainty of what a column stands for; 0 for what does not change or not that way."""
    if column == HEAT:
        return explained(root, half, since, column, 1.0 / (HEAT_SD * HEAT_SD))
    if column == SINK_C:
        return explained(root, half, since, column, 1.0 / (SINK_SD_K * SINK_SD_K))
    if column < OWN:
        return 0.0, 0.0
    prior = 0.0 if _of_one_size(column) else 1.0 / (SIZE_SD * SIZE_SD)
    size, known = explained(root, half, since, column, prior)
    return max(0.0, size), known


@compiled
def _of_one_size(column: int) -> bool:
    """Say whether a fault either is or is not: a valve at one of its ends."""
    return bool(FAULTS[column - OWN] == OPEN or FAULTS[column - OWN] == SHUT)


@compiled
def _note_number(stretches: Stretches, column: int, size: float, known: float) -> None:
    """Write down a fault's own number, and its variance."""
    if column >= OWN:
        number, hypothesis = NUMBERS[column - OWN], FAULTS[column - OWN]
        stretches.number[hypothesis] = size * number
        stretches.number_var[hypothesis] = number * number / known
