"""What a healthy truck would have shown, and what was estimated of its circuit, over a span.

The truck is run through the samples once more, from the state it had before them: the same step as live.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ingest.fold import catch_up
from ingest.held import NEVER_MS, Held
from models.course import run
from models.hypotheses import HEALTHY
from models.layout import record
from review import history
from review.past import state_at

STEP_MS = 60_000
"""How closely the healthy band is followed if nobody asks otherwise [ms]."""

NEAR_MS = 3 * 86_400_000
"""A state that is kept this near before a span is near enough, without counting [ms]."""

Z_80 = 1.2815515655446004
"""Standard deviations on either side that hold 8 in 10 of a normal distribution [-]: the healthy band, on
every page and in every picture."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """Readings of the truck's state, each at the last sample of a step; arrays of shape (n,).

    ``time_ms`` [Unix ms]. ``celsius``, ``sd_k``: what the fluid would show if the circuit were healthy
    [°C], and how far that is not known [K]; not a number: nothing is expected. ``share``, ``share_sd``: the
    cooler's conductance as a share of this truck's own healthy one [-]. ``p_fault``: probability that the
    circuit is not healthy [-]. ``limits``: by name, as they held at the end [°C].
    """

    time_ms: NDArray[np.int64]
    celsius: NDArray[np.float64]
    sd_k: NDArray[np.float64]
    share: NDArray[np.float64]
    share_sd: NDArray[np.float64]
    p_fault: NDArray[np.float64]
    limits: tuple[tuple[str, float], ...]

    @property
    def healthy(self) -> NDArray[np.bool_]:
        """Say where something is expected; shape (n,)."""
        return np.isfinite(self.celsius) & np.isfinite(self.sd_k)


def expected(
    conn: sqlite3.Connection, held: Held, samples: NDArray[Any], *, step_ms: int = STEP_MS
) -> Expected | None:
    """Run a truck through a span once more and note what a healthy one would have shown.

    Parameters
    ----------
    conn, held
        The store, and the truck as it holds it.
    samples
        All its samples of the span, in order; records ``models.sample.SAMPLE``.
    step_ms
        A reading at the end of each step of the clock that has samples [ms].

    Returns
    -------
    Expected or None
        None where there is no sample, or the truck's state is not up to date.
    """
    if held.last_ms == NEVER_MS or len(samples) == 0:
        return None
    first_ms = int(samples["time_ms"][0])
    if held.last_ms < first_ms:  # what came since it was last written
        held = catch_up(conn, held)
    state = state_at(conn, held, first_ms)
    steps = np.flatnonzero(np.diff(samples["time_ms"] // step_ms)) + 1
    ends = [*(steps - 1), len(samples) - 1]
    found = np.empty((len(ends), 5))
    for row, piece in enumerate(np.split(samples, steps)):
        run(held.course, state, piece)
        found[row] = _reading(record(state).truck.thermal)
    return Expected(
        time_ms=samples["time_ms"][ends].astype(np.int64),
        celsius=found[:, 0],
        sd_k=found[:, 1],
        share=found[:, 2],
        share_sd=found[:, 3],
        p_fault=found[:, 4],
        limits=limits_at(held, state),
    )


def samples_before(conn: sqlite3.Connection, held: Held, first_ms: int) -> int:
    """Count, to the hour, the samples between a truck's last kept state before a time and that time.

    As a rule a day's at most; a truck whose states were not kept so far back has all its samples there.
    """
    (kept_ms,) = conn.execute(
        "SELECT max(time_ms) FROM checkpoint WHERE vehicle_id = ? AND time_ms < ?",
        (held.vehicle_id, first_ms),
    ).fetchone()
    edges = history.span(conn, held.name)
    begin_ms = kept_ms if kept_ms is not None else edges[0] if edges else first_ms
    if begin_ms >= first_ms - NEAR_MS:
        return 0
    max_gap_s = float(held.course.params[0]["account"]["max_gap_s"])
    hours = history.rollup(
        conn,
        held.name,
        begin_ms,
        first_ms - 1,
        step="1h",
        signals=("fluid_temp_c",),
        max_gap_ms=round(max_gap_s * 1000.0),
    )
    return int(hours.samples.sum())


def limits_at(held: Held, state: NDArray[Any]) -> tuple[tuple[str, float], ...]:
    """Give the limits of the fluid that hold at a state, by name [°C]."""
    params = held.course.now(state).over_temperature
    return (
        ("highest allowed", float(params.limit_c)),
        ("critical", float(params.critical_c)),
    )


def estimate(thermal: Any) -> tuple[float, float, float]:
    """Read what is estimated of the circuit from a record ``models.thermal.Thermal``.

    The cooler's share of its own healthy conductance [-], the error of that, and the probability that the
    circuit is not healthy; not a number while nothing was weighed.
    """
    if thermal.windows == 0:
        return (np.nan, np.nan, np.nan)
    return float(thermal.share), float(thermal.share_sd), 1.0 - float(thermal.p[HEALTHY])


def _reading(thermal: Any) -> tuple[float, float, float, float, float]:
    if thermal.started == 0:
        return (np.nan,) * 5
    told = thermal.expectation
    return (float(told.celsius), float(told.sd_k), *estimate(thermal))
