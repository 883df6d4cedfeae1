"""How far off two nodes are through whole drives: ``python -m tests.bench.diagnosis.model_error FOLDER``.

Over sound trucks that were noted (``tests.bench.diagnosis.rescore FOLDER``): the healthy circuit
(``models.circuit``) is run through each drive from its first reading on without another, with the truck's own
values that fit all its drives best (least squares of SciPy). What is left is what ``models.stretches`` calls
the error of the balance, and the bound (``tests.bench.diagnosis.bound``) a model that is wrong; with how long
it lasts, by its autocorrelation.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from review.model_version import keep_compiled

keep_compiled()  # must come before the first import of the models

from models.abreast import VALUES  # noqa: E402 -- see above
from models.circuit import (  # noqa: E402 -- see above
    DUTY,
    FLUID,
    LN_RISE,
    STATES,
    SUMP,
    read_at,
    run,
)
from models.compiled import compiled  # noqa: E402 -- see above
from models.hypotheses import HEALTHY  # noqa: E402 -- see above
from models.kernel import STATE  # noqa: E402 -- see above
from models.layout import blank, record  # noqa: E402 -- see above
from models.setting_out import spread_of, warm_up  # noqa: E402 -- see above
from models.thermal import CLOSE, judge, judge_window  # noqa: E402 -- see above
from models.window import clear  # noqa: E402 -- see above
from simulator.plan import Registration  # noqa: E402 -- see above
from tests.bench.diagnosis import windows  # noqa: E402 -- see above
from tests.bench.diagnosis.judge import course_of  # noqa: E402 -- see above

LAGS_S = (600, 900, 1800)
STEP_S = 30
SETTLED_S = 600.0
"""After a drive has begun it is known from a reading [s]; what comes later counts."""

STATED_K = 8.0
"""Standard deviation of one window's error in the fit [K]: neighbours say the same, and the values of the
class count for something; own choice."""

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Drives:
    """Windows of a truck: duties, shape (n, ``DUTY``); fluid at the end [°C], whether a drive begins here,
    and the time [s], shape (n,)."""

    circuit: Any
    duty: Floats
    fluid_c: Floats
    begins: NDArray[np.bool_]
    time_s: Floats


@compiled
def _take_in(
    params: Any,
    state: Any,
    state_raw: Any,
    given: Any,
    given_raw: Any,
    duty: Floats,
    begins: NDArray[np.bool_],
) -> None:
    thermal, view = state.truck.thermal, state.truck.latest
    for place in range(len(given)):
        row = given[place]
        windows.hand_over(params, state.truck, state_raw, given_raw, place)
        if row.what != CLOSE:
            judge(params.thermal, thermal, view, row.sensor_off, row.slip_told == 1, row.what)
            begins[place] = True
            continue
        judge_window(params.thermal, thermal, view, row.sensor_off)
        duty[place] = thermal.window.duty
        clear(thermal.window)


def drives_of(told: Registration, given: NDArray[Any]) -> Drives:
    """Give what the circuit of a truck went through; ``given``: ``windows.GIVEN``, shape (n,)."""
    state = blank(STATE)
    params = record(course_of(told).params)
    count = len(given)
    duty, begins = np.zeros((count, DUTY)), np.zeros(count, np.bool_)
    _take_in(
        params,
        record(state),
        windows.raw(state),
        given.view(np.recarray),
        windows.raw(given),
        duty,
        begins,
    )
    return Drives(
        circuit=params.thermal.bank.circuit,
        duty=duty,
        fluid_c=given["view"]["fluid_c"].copy(),
        begins=begins,
        time_s=given["view"]["time_ms"] / 1000.0,
    )


@compiled
def _left(
    circuit: Any,
    duty: Floats,
    fluid_c: Floats,
    begins: NDArray[np.bool_],
    time_s: Floats,
    own: Floats,
    left_k: Floats,
) -> None:
    """Run through all drives; write by how much each reading is off [K].

    Where the sump is not read it has kept, over the pause, some of what it was hotter by than the reading.
    """
    x, valve, cov = own.copy(), np.zeros(2), np.zeros((STATES, STATES))
    where = read_at(circuit)
    for place in range(len(fluid_c)):
        if begins[place]:
            gap_s = math.inf if place == 0 else time_s[place] - time_s[place - 1]
            warm_up(circuit, fluid_c[place], gap_s, x, cov)
            valve[0], valve[1] = x[FLUID], 0.0
        else:
            run(circuit, int(HEALTHY), duty[place], x, valve)
        left_k[place] = fluid_c[place] - x[where]


def errors_k(drives: Drives) -> Floats:
    """Give what the best fit leaves of each window [K], shape (n,)."""
    site = drives.circuit.site
    values = [place for place in VALUES if place != LN_RISE or site != SUMP]
    spread = np.array([spread_of(drives.circuit, place) for place in values])
    left_k, own = np.zeros(len(drives.fluid_c)), np.zeros(STATES)

    def off(sizes: Floats) -> Floats:
        own[values] = sizes * spread
        _left(
            drives.circuit,
            drives.duty,
            drives.fluid_c,
            drives.begins,
            drives.time_s,
            own,
            left_k,
        )
        return np.concatenate([left_k / STATED_K, 0.3 * sizes])

    best = least_squares(
        off, np.zeros(len(values)), diff_step=np.full(len(values), 0.02), max_nfev=40
    )
    off(best.x)
    return left_k


def by_drive(drives: Drives, left_k: Floats) -> Iterator[Floats]:
    """Give the errors of each drive at even times, once it has settled [K]."""
    for times_s, errors in _parts(drives, left_k):
        even_s = np.arange(times_s[0] + SETTLED_S, times_s[-1], STEP_S)
        if len(even_s) > SETTLED_S / STEP_S:
            yield np.interp(even_s, times_s, errors)


def _parts(drives: Drives, left_k: Floats) -> Iterator[tuple[Floats, Floats]]:
    edges = np.flatnonzero(drives.begins)
    for first, last in zip(edges, [*edges[1:], len(left_k)], strict=True):
        yield drives.time_s[first:last], left_k[first:last]


def correlation(errors: Sequence[Floats], lag_s: int) -> float:
    """Give the correlation of errors so far apart within a drive [-]."""
    lag = lag_s // STEP_S
    pairs = [(one[:-lag] * one[lag:]) for one in errors if len(one) > lag]
    return float(np.mean(np.concatenate(pairs)) / np.mean(np.concatenate(errors) ** 2))


def main(arguments: Sequence[str] | None = None) -> int:
    """Print, by class, how large the errors are and how they hang together."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, help="where the notes are kept")
    asked = parser.parse_args(arguments)
    by_class: dict[str, list[list[Floats]]] = {}
    for path in sorted(asked.folder.iterdir()):
        one = windows.kept(path)
        told = one.registration
        if one.outcome.label or not one.outcome.whole or told.sensor != "sump":
            continue
        drives = drives_of(told, one.given)
        errors = list(by_drive(drives, errors_k(drives)))
        if errors:
            by_class.setdefault(told.truck_class, []).append(errors)
    for truck_class, trucks in sorted(by_class.items()):
        sys.stdout.write(f"{truck_class}: {_told(trucks)}\n")
    if by_class:
        sys.stdout.write(f"all: {_told([one for some in by_class.values() for one in some])}\n")
    return 0


def _told(trucks: Sequence[Sequence[Floats]]) -> str:
    every = [drive for one in trucks for drive in one]
    each = [float(np.sqrt(np.mean(np.concatenate(one) ** 2))) for one in trucks]
    half, most = np.quantile(each, (0.5, 0.9))
    lasts = ", ".join(f"{correlation(every, lag_s):.2f}" for lag_s in LAGS_S)
    minutes = ", ".join(f"{lag_s // 60}" for lag_s in LAGS_S)
    return (
        f"{len(trucks)} trucks, {len(every)} drives, "
        f"{np.sqrt(np.mean(np.concatenate(every) ** 2)):.2f} K; a truck {half:.2f} K (median), "
        f"{most:.2f} K (one in ten is worse); after {minutes} minutes correlated by {lasts}"
    )


if __name__ == "__main__":
    sys.exit(main())
