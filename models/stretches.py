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
    of_one_size,
    read_from,
    run_abreast,
    set_out_abreast,
)
from models.balance_error import UNTOLD, error_times
from models.bank import RUNNING_RPM
from models.circuit import CONVERTER_W, RPM, SPAN_S, SUMP, CircuitParams
from models.compiled import compiled
from models.hypotheses import COUNT
from models.layout import Layout
from models.least_squares import (
    COLUMNS,
    OWN,
    RIGHT,
    ROWS,
    SIZE,
    add_reading,
    at,
    explained,
    factor,
    solve,
)
from models.rows import copy_row
from models.setting_out import spread_of
from models.stretch_odds import any_odds, tell_odds

KEPT = 8
"""Stretches that a fault may have begun with [-]; what was before them is one sum. Own choice."""

BLOCK = 6
"""Windows that make one reading [-]: some three minutes, short beside ``LASTS_S``."""

LEAST = 12
"""Readings of a stretch, and of driving before a fault [-]: more than half an hour; own choice."""

LASTS_S = 1260.0
"""How long an error of the balance lasts [s]: the autocorrelation of what the best fit of two nodes leaves of
186 sound tuning trucks, through whole drives, is 0.61, 0.48 and 0.24 after 10, 15 and 30 minutes
(``tests.bench.diagnosis.model_error``)."""

FINE = 0.02
"""Share of its variance that does not last [-]; own choice."""

WILD = 4.0
"""From here on a reading counts for less the wilder it is [standard deviations]; own choice. Had it its full
direction and only a bounded length, two more sound tuning trucks in ten truck-years would be accused."""

MOST = 60
"""Readings after which a stretch is one though the truck has not stopped [-]: three hours; own choice."""

PAUSE_S = 900.0
"""Gap, or stop with the engine off, up to which a drive goes on, the metal as far from the fluid as it was
[s]; own choice."""

FADES, HELD_FADES = 0.9, 0.8
"""What the sum of all before keeps when a stretch joins it [-]: a truck changes over weeks; and that of a
fault whose beginning is held: a cooler that somebody has cleaned must be believed after some days. Own
choice."""

HELD_FROM = 10.0
"""Odds of a fault from which its beginning is kept apart from what was before [-]; own choice."""

WORTH = 60.0
"""Readings that the stated size of the error is worth [-]: three hours; own choice."""

SIZE_SD, HEAT_SD, SINK_SD_K = 2.0, 0.3, 5.0
"""How large a fault is beside those of ``models.abreast`` [-], and a change of the heat's scale [-] or of the
sink [K], one standard deviation; own choice."""


LEAST_SIZE = 0.85
"""Least that a fault is beside those of ``models.abreast`` [-]: 45 % of the air or 35 % of the flow is lost.
What a balance gets wrong for hours on end looks like a smaller one. On 2,000 tuning trucks it costs 2 of 54
starved by half; on 112 truck-years of sound ones 2 false alarms of 12 are gone."""


class Stretches(Layout):
    """State: runs abreast, the block being filled, sums by stretch, and what they say."""

    runs: Annotated[NDArray[np.float64], RUNS * HELD]
    own: Annotated[NDArray[np.float64], OWN]  # the truck's own values that they take
    block: Annotated[NDArray[np.float64], RUNS]  # sums over its windows
    before: Annotated[NDArray[np.float64], RUNS]  # means of the block before it
    windows: int  # of the block
    block_s: float
    doubted_j: float  # what the converter made in it, more where that is a guess [J]
    driven_s: float  # since the runs set out
    stood_s: float  # with the engine off, the gateway awake
    middle_s: float  # of the block before, 0: there is none
    sums: Annotated[NDArray[np.float64], (KEPT + 1) * SIZE]  # all before, then each stretch
    newest: int  # place of the stretch that is being driven, 0: none yet
    since: int  # the stretch that the likeliest fault began with, 0: none
    column: int  # of that fault, and how large it is
    size: float
    odds: Annotated[NDArray[np.float64], COUNT]  # of a fault against a sound truck
    number: Annotated[NDArray[np.float64], COUNT]  # the fault's own number
    number_var: Annotated[NDArray[np.float64], COUNT]


@compiled
def set_out_again(
    params: CircuitParams, stretches: Stretches, sump_c: float, fluid_c: float, gap_s: float
) -> None:
    """Take the runs up after a gap [s]; after a long one, begin a new stretch.

    ``sump_c``, ``fluid_c``: what is held of the sump, and the reading [°C].
    """
    goes_on = stretches.newest > 0 and gap_s < PAUSE_S
    set_out_abreast(stretches.runs.reshape((RUNS, HELD)), sump_c, fluid_c, goes_on)
    _clear_block(stretches)
    stretches.driven_s = stretches.middle_s = stretches.stood_s = 0.0
    if stretches.newest == 0:
        stretches.newest = 1
    elif not goes_on and _readings(stretches) >= LEAST:
        _fit(params, stretches)
        _next_stretch(stretches)


@compiled
def _readings(stretches: Stretches) -> float:
    """How many the stretch has that is being driven."""
    return float(stretches.sums[stretches.newest * SIZE + ROWS])


@compiled
def look_along(
    params: CircuitParams,
    begins_per_h: NDArray[np.float64],
    error_sd_k: float,
    stretches: Stretches,
    duty: NDArray[np.float64],
    fluid_c: float,
    counts: bool,
    untold: bool,
) -> None:
    """Take a window in.

    Parameters
    ----------
    params, begins_per_h
        The circuit; how often each fault begins [1/h], shape (``COUNT``,), 0: it cannot be.
    error_sd_k
        Standard deviation of what the balance is off by [K], ``models.balance_error`` of it in a reading.
    stretches
        Changed.
    duty, fluid_c
        Means over the window, shape (``DUTY``,); the reading at its end [°C].
    counts
        False: what went in, or the reading, is not known well enough; the runs go on.
    untold
        Load, clutch or speed had to be guessed.
    """
    runs = stretches.runs.reshape((RUNS, HELD))
    if duty[RPM] < RUNNING_RPM:
        stretches.stood_s += duty[SPAN_S]
    elif stretches.stood_s >= PAUSE_S:
        run_abreast(params, stretches.own, duty, runs)
        sump_c = fluid_c if params.site == SUMP else runs[0, 0]
        set_out_again(params, stretches, sump_c, fluid_c, stretches.stood_s)
        return
    else:
        stretches.stood_s = 0.0
    run_abreast(params, stretches.own, duty, runs)
    stretches.driven_s += duty[SPAN_S]
    if not counts:
        _clear_block(stretches)
        return
    add_parted(runs, read_from(params), fluid_c, duty[SPAN_S], stretches.block)
    stretches.block_s += duty[SPAN_S]
    stretches.doubted_j += duty[CONVERTER_W] * duty[SPAN_S] * (UNTOLD if untold else 1.0)
    stretches.windows += 1
    if stretches.windows >= BLOCK:
        doubted_kw = stretches.doubted_j / stretches.block_s / 1000.0
        _close_block(error_sd_k * error_times(params, doubted_kw, fluid_c), stretches)
        _weigh(params, begins_per_h, stretches)
        if _readings(stretches) >= MOST:
            _next_stretch(stretches)


@compiled
def foretold_c(params: CircuitParams, stretches: Stretches) -> float:
    """Say what a sound circuit would show, by the run that takes the truck as it has shown itself [°C]."""
    return float(stretches.runs[read_from(params)])


@compiled
def _clear_block(stretches: Stretches) -> None:
    for place in range(RUNS):
        stretches.block[place] = 0.0
    stretches.windows = 0
    stretches.block_s = 0.0
    stretches.doubted_j = 0.0


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
        spread = spread_of(params, VALUES[value])
        known[value] = 1.0 / (spread * spread)
    return known


@compiled
def _add_up(rows: NDArray[np.float64], first: int, newest: int) -> NDArray[np.float64]:
    total = np.zeros(SIZE)
    for row in range(first, newest + 1):
        for place in range(SIZE):
            total[place] += rows[row, place]
    return total


@compiled
def _fit(params: CircuitParams, stretches: Stretches) -> None:
    """Run the circuit from now on as the truck has shown itself, a fault that is likely apart from it."""
    root, half = np.zeros((OWN, OWN)), np.zeros(OWN)
    rows = stretches.sums.reshape((KEPT + 1, SIZE))
    total = _add_up(rows, 0, stretches.newest)
    if stretches.since > 0 and any_odds(stretches.odds) > 1.0:
        since = _add_up(rows, stretches.since, stretches.newest)
        for value in range(OWN):
            total[RIGHT + value] -= stretches.size * since[at(value, stretches.column)]
    factor(total, _known_before(params), root, half)
    solve(root, half, stretches.own)
    for value in range(OWN):
        least, most = priors.LEAST[VALUES[value]], priors.MOST[VALUES[value]]
        stretches.own[value] = max(least, min(most, stretches.own[value]))


@compiled
def _next_stretch(stretches: Stretches) -> None:
    """Begin a stretch; where there are enough, two that are kept become one.

    While a fault is likely, the moment at which it began stays between two of them.
    """
    if stretches.newest < KEPT:
        stretches.newest += 1
        return
    rows = stretches.sums.reshape((KEPT + 1, SIZE))
    held = stretches.since == 1 and any_odds(stretches.odds) > HELD_FROM
    into, keeps = (1, HELD_FADES) if held else (0, FADES)
    for place in range(SIZE):
        rows[into, place] = keeps * rows[into, place] + rows[into + 1, place]
    for row in range(into + 1, KEPT):
        copy_row(rows[row], rows[row + 1])
    for place in range(SIZE):
        rows[KEPT, place] = 0.0
    stretches.since = max(into, stretches.since - 1)


@compiled
def _weigh(
    params: CircuitParams, begins_per_h: NDArray[np.float64], stretches: Stretches
) -> None:
    """Weigh each fault since each of the stretches, and that heat or sink alone are told otherwise."""
    rows = stretches.sums.reshape((KEPT + 1, SIZE))
    total = _add_up(rows, 0, stretches.newest)
    root, half, since = np.zeros((OWN, OWN)), np.zeros(OWN), np.zeros(SIZE)
    left = factor(total, _known_before(params), root, half)
    gains, began, sizes = np.zeros(COLUMNS), np.zeros(COLUMNS), np.zeros(COLUMNS)
    for row in range(stretches.newest, 0, -1):
        for place in range(SIZE):
            since[place] += rows[row, place]
        if total[ROWS] - since[ROWS] < LEAST:
            break
        for column in range(COLUMNS):
            fit, known = _explained(root, half, since, column)
            size = _size(column, fit)
            gain = size * (2.0 * fit - size) * known
            if gain > gains[column]:
                gains[column], began[column], sizes[column] = gain, row, size
                _note_number(stretches, column, size, known)
    variance = (left - gains.max() + WORTH) / (total[ROWS] + WORTH)
    stretches.column = tell_odds(params, begins_per_h, gains, variance, stretches.odds)
    stretches.since = int(began[stretches.column])
    stretches.size = sizes[stretches.column]


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
    prior = 0.0 if of_one_size(column) else 1.0 / (SIZE_SD * SIZE_SD)
    size, known = explained(root, half, since, column, prior)
    return max(0.0, size), known


@compiled
def _size(column: int, fit: float) -> float:
    """Give the size nearest to a fit that a column can have [-]."""
    if of_one_size(column):
        return 1.0
    return fit if column < OWN else max(LEAST_SIZE, fit)


@compiled
def _note_number(stretches: Stretches, column: int, size: float, known: float) -> None:
    """Write down a fault's own number, and its variance."""
    if column >= OWN:
        number, hypothesis = NUMBERS[column - OWN], FAULTS[column - OWN]
        stretches.number[hypothesis] = size * number
        stretches.number_var[hypothesis] = number * number / known
