"""What is not known of a truck before a time."""

from __future__ import annotations

import sqlite3
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ingest.held import Held
from models.hypotheses import SENSOR
from models.layout import record
from models.silence import KIND as SILENT
from models.statement import Statement
from review.circuit_standing import COOLANT, HELPFUL, NEEDED
from review.dossier.facts import Span, Unknown
from review.dossier.walk import STEP_MS

SIGNALS = {
    "fluid_ms": ("fluid_temp_c",),
    "rpm_ms": ("engine_rpm",),
    "torque_ms": ("engine_torque_nm", "engine_load_pct"),
    "speed_ms": ("speed_km_h",),
    "air_ms": ("ambient_temp_c",),
    "coolant_ms": ("coolant_temp_c",),
    "lockup_ms": ("lockup",),
    "slip_ms": ("lockup_slip_rpm",),
}
"""Which signals of the contract tell what the circuit's judgement needs; any of them will do."""

MOST_SILENCES = 5

RARELY = 12
"""A signal that is there in one sample of so many is sent rarely, not absent [-]; own choice: once a minute
at 5 s."""

_SILENCES = (
    "SELECT onset_ms, time_ms FROM transition WHERE vehicle = ? AND kind = ? AND active = 0 "
    "AND onset_ms >= ? AND onset_ms < ? ORDER BY time_ms - onset_ms DESC LIMIT ?"
)
_REFUSED = "SELECT count(*) FROM quarantine WHERE vehicle = ? AND first_received_ms < ?"


def unknown_of(
    conn: sqlite3.Connection,
    held: Held,
    later_ms: int,
    span: Span,
    account: Statement,
    samples: NDArray[Any],
    notes: NDArray[Any],
) -> Unknown:
    """Gather it; ``held`` is the truck at the end, ``samples`` and ``notes`` those of the days before."""
    params = held.course.now(held.state)
    later = later_ms >= span.until_ms
    quiet_ms = round(float(params.silence.silent_after_s) * 1000.0)
    silences = conn.execute(
        _SILENCES, (held.name, SILENT, span.first_ms, span.until_ms, MOST_SILENCES)
    )
    driven = (notes["rpm"] > 300.0) | (notes["speed_km_h"] > 5.0)
    hours = np.minimum(np.diff(notes["time_ms"], prepend=notes["time_ms"][:1]), 2 * STEP_MS)
    hours = hours / 3.6e6
    blind = driven & ((notes["blind_ms"] > 0) | (notes["judged"] == 0))
    doubted = np.nan_to_num(notes["p"][:, SENSOR]) >= 0.5
    by_coolant = bool(params.over_temperature.coolant_cooled)
    return Unknown(
        unseen_h=account.unseen_hours,
        unseen_km=account.unseen_km,
        silences=tuple((onset - quiet_ms, end) for onset, end in silences),
        absent=_absent(samples, by_coolant),
        blind_h=float(hours[blind].sum()),
        driven_h=float(hours[driven].sum()),
        doubted_h=float(hours[doubted].sum()),
        # The counter is known as it stands now alone.
        missing=held.sequence.missing if held.sequence.spans and not later else None,
        refused=int(conn.execute(_REFUSED, (held.name, span.until_ms)).fetchone()[0]),
        later=later,
        learned=float(record(held.state).truck.thermal.learned),
        load_told=_there(samples, SIGNALS["torque_ms"]) > 0.0,
    )


def _absent(samples: NDArray[Any], by_coolant: bool) -> dict[str, float]:
    """Give what is missing in so many samples that it is not only sent rarely."""
    asked = {**NEEDED, **(COOLANT if by_coolant else {}), **HELPFUL}
    shares = {name: _there(samples, SIGNALS[time]) for time, (name, _) in asked.items()}
    return {name: 1.0 - share for name, share in shares.items() if share < 1.0 / RARELY}


def _there(samples: NDArray[Any], names: tuple[str, ...]) -> float:
    if len(samples) == 0:
        return 0.0
    there = np.zeros(len(samples), dtype=bool)
    for name in names:
        there |= np.isfinite(samples[name])
    return float(there.mean())
