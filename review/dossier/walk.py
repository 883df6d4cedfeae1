"""A truck run through its own past once more, with a note at every step of what the models made of it.

What is kept of it day by day tells where to look; only there it is run again, a minute at a time.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ingest import journal
from ingest.held import Held, unpack
from models.course import run, settle
from models.hypotheses import COUNT, HEALTHY
from models.kernel import KINDS
from models.layout import copied
from review.past import state_at

STEP_MS = 60_000
"""How closely a truck is followed where it is looked at [ms]."""

STALE_MS = 5 * 60_000
"""What a healthy circuit would show holds for so long after the last window that was judged [ms]."""

PIECE_MS = 7 * 86_400_000
"""Samples of so long are read at once [ms]."""

#: What is noted: the truck at a sample. ``p`` as told, ``trust`` as the bank itself has it.
NOTE: np.dtype[np.void] = np.dtype(
    [
        ("time_ms", "i8"),
        ("fluid_c", "f8"),
        ("air_c", "f8"),
        ("speed_km_h", "f8"),
        ("heat_kw", "f8"),
        ("line_out_c", "f8"),
        ("slip_rpm", "f8"),
        ("lockup", "f8"),
        ("rpm", "f8"),
        ("judged", "i8"),
        ("p", "f8", (COUNT,)),
        ("trust", "f8"),
        ("share", "f8"),
        ("share_sd", "f8"),
        ("expected_c", "f8"),
        ("expected_sd_k", "f8"),
        ("judged_ms", "i8"),
        ("proven_ms", "i8"),
        ("blind_ms", "i8"),
        ("sensor_since_ms", "i8"),
        ("life_used", "f8"),
        ("hottest_c", "f8"),
    ]
)

_CHECKPOINTS = (
    "SELECT time_ms, state FROM checkpoint WHERE vehicle_id = ? AND time_ms >= ? AND time_ms < ? "
    "ORDER BY time_ms"
)


class Raised(NamedTuple):
    """An alarm as the models find it with all that is known now: when told, since when, how sure."""

    kind: str
    time_ms: int
    onset_ms: int
    probability: float


class Kept(NamedTuple):
    """What is kept of a truck: times [Unix ms], states (records ``STATE``, shape (n,)), a note of each."""

    time_ms: NDArray[np.int64]
    states: NDArray[Any]
    notes: NDArray[Any]


def kept(conn: sqlite3.Connection, held: Held, first_ms: int, until_ms: int) -> Kept:
    """Give the truck as it is kept from ``first_ms`` on, with how it was at first and at last."""
    found = [(first_ms - 1, state_at(conn, held, first_ms))]
    rows = conn.execute(_CHECKPOINTS, (held.vehicle_id, first_ms, until_ms))
    found += [(time_ms, unpack(body)) for time_ms, body in rows]
    found.append((until_ms - 1, state_at(conn, held, until_ms)))
    states = joined([state for _, state in found], found[0][1].dtype)
    notes = note(states)
    return Kept(np.array([time_ms for time_ms, _ in found]), states, notes)


def walked(
    conn: sqlite3.Connection, held: Held, past: Kept, first_ms: int, last_ms: int
) -> tuple[NDArray[Any], list[Raised]]:
    """Run the truck from what is kept to ``last_ms``; note each minute from ``first_ms`` on."""
    place = max(0, int(np.searchsorted(past.time_ms, first_ms)) - 1)
    state = copied(past.states[place : place + 1])
    notes: list[NDArray[Any]] = []
    raised: list[Raised] = []
    for start_ms in range(int(past.time_ms[place]) + 1, last_ms + 1, PIECE_MS):
        end_ms = min(start_ms + PIECE_MS - 1, last_ms)
        samples = journal.read(
            conn, vehicle_id=held.vehicle_id, first_ms=start_ms, last_ms=end_ms
        )
        for piece in _pieces(samples, first_ms):
            raised += _raised(run(held.course, state, piece))
            if piece["time_ms"][-1] >= first_ms:
                notes.append(note(state))
    return joined(notes, NOTE), [each for each in raised if each.time_ms >= first_ms]


def joined(parts: Sequence[NDArray[Any]], dtype: np.dtype[Any]) -> NDArray[Any]:
    """Put records behind each other by their bytes: field by field it takes fifty times as long."""
    return np.frombuffer(bytearray(b"".join(each.tobytes() for each in parts)), dtype)


def stays(held: Held, state: NDArray[Any], time_ms: int) -> float:
    """Give the share [-] of the measured ageing that entries at a time leave, of a state just before it."""
    before = float(state[0]["truck"]["account"]["heat"]["equivalent_s"])
    after = settle(held.course, state, time_ms)
    left = float(after[0]["truck"]["account"]["heat"]["equivalent_s"])
    return left / before if before > 0.0 else 1.0


def note(states: NDArray[Any]) -> NDArray[Any]:
    """Write down how a truck stands; records ``STATE`` of shape (n,) give notes of shape (n,)."""
    truck = states["truck"]
    view, thermal, account = truck["latest"], truck["thermal"], truck["account"]
    made = np.zeros(len(states), NOTE)
    for name in ("time_ms", "fluid_c", "air_c", "speed_km_h", "line_out_c", "slip_rpm"):
        made[name] = view[name]
    made["lockup"], made["rpm"] = view["lockup"], view["rpm"]
    made["heat_kw"] = view["heat_w"] / 1000.0
    made["judged"] = thermal["windows"] > 0
    made["p"] = thermal["p"]
    made["trust"] = thermal["bank"]["p"][:, HEALTHY]
    made["share"], made["share_sd"] = thermal["share"], thermal["share_sd"]
    made["expected_c"] = thermal["expectation"]["celsius"]
    made["expected_sd_k"] = thermal["expectation"]["sd_k"]
    seen = thermal["observing"]
    made["judged_ms"], made["proven_ms"] = seen["judged_ms"], seen["proven_ms"]
    made["blind_ms"] = seen["unseen_since_ms"]
    made["sensor_since_ms"] = truck["sensor"]["since_ms"]
    made["life_used"] = account["life_used"]
    made["hottest_c"] = account["heat"]["hottest_c"]
    _blank(made, made["time_ms"] - thermal["known_ms"] > STALE_MS)
    return made


def _blank(made: NDArray[Any], stale: NDArray[np.bool_]) -> None:
    """Nothing is weighed before the first window was judged, and nothing expected long after the last."""
    never = made["judged"] == 0
    for name in ("expected_c", "expected_sd_k"):
        made[name][stale] = np.nan
    for name in ("expected_c", "expected_sd_k", "share", "share_sd", "trust"):
        made[name][never] = np.nan
    made["p"][never] = np.nan


def _pieces(samples: NDArray[Any], first_ms: int) -> Sequence[NDArray[Any]]:
    """Cut samples by the minute; what comes before ``first_ms`` stays in one."""
    times = samples["time_ms"]
    if len(times) == 0:
        return []
    ahead = int(np.searchsorted(times, first_ms))
    minutes = np.flatnonzero(np.diff(times[ahead:] // STEP_MS)) + 1 + ahead
    cuts = minutes if ahead in (0, len(times)) else np.concatenate([[ahead], minutes])
    return np.split(samples, cuts)


def _raised(events: Sequence[NDArray[Any]]) -> list[Raised]:
    return [
        Raised(
            KINDS[int(each["kind"])],
            int(each["time_ms"]),
            int(each["onset_ms"]),
            float(each["probability"]),
        )
        for group in events
        for each in group
        if each["active"]
    ]
