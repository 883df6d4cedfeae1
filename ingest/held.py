"""What the daemon holds of each truck between commits: the mirror of its rows in the store."""

from __future__ import annotations

import hashlib
import json
import sqlite3
import zlib
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ingest.sequence import Sequence
from models.course import Course
from models.kernel import PARAMS, STATE
from models.layout import blank
from models.service import ENTRY

NEVER_MS = -(2**62)
"""Before any sample."""

PACKED = "zlib"
"""How states are packed; a store with states packed otherwise is computed anew."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """One truck: its course and its state, a record of shape (1,), open or as ``pack`` makes it.

    A fold makes a new ``Held``; the old one stays good if the transaction fails. ``basis``
    names the model code, the parameters and the service entries that the state was computed with.
    ``on_file``: the store has a state of it, from which this one follows by the journal;
    ``unsaved``: it is not this one. ``stopped``: it could not be computed; its samples are stored, and
    nothing else is done with them until it can be.
    """

    vehicle_id: int
    name: str
    course: Course
    basis: str
    kept: NDArray[Any] | bytes
    last_ms: int = NEVER_MS
    checkpoint_ms: int = NEVER_MS
    sequence: Sequence = field(default_factory=Sequence)
    heard_ms: int = 0
    online: bool | None = None
    on_file: bool = False
    unsaved: bool = False
    stopped: bool = False

    @property
    def state(self) -> NDArray[Any]:
        """The state, opened each time anew where it is packed."""
        return unpack(self.kept) if isinstance(self.kept, bytes) else self.kept

    @property
    def is_open(self) -> bool:
        """Whether the state is at hand unpacked."""
        return not isinstance(self.kept, bytes)

    @property
    def packed(self) -> bytes:
        """The state as it is stored."""
        return self.kept if isinstance(self.kept, bytes) else pack(self.kept)


def basis_of(course: Course, model_version: str) -> str:
    """Name what a state depends on beside the samples: model code, layouts, parameters, entries."""
    digest = hashlib.sha256()
    for part in (model_version, *_layouts(), PACKED):
        digest.update(part.encode())
    digest.update(course.params.tobytes())
    digest.update(course.entries.tobytes())
    return digest.hexdigest()[:32]


@cache
def _layouts() -> tuple[str, ...]:
    """Write the layouts once: it takes five times as long as reading a truck does."""
    return tuple(repr(dtype.descr) for dtype in (STATE, PARAMS, ENTRY))


def load(
    conn: sqlite3.Connection, name: str, course: Course, model_version: str
) -> Held | None:
    """Load a truck as it was last written, None if the store has never heard of it.

    ``ingest.fold.catch_up`` adds what the journal has since. A state that was computed on another
    basis is left out: ``ingest.fold.rerun`` rebuilds it.
    """
    row = conn.execute(
        "SELECT id, last_heard_ms, online FROM vehicle WHERE name = ?", (name,)
    ).fetchone()
    if row is None:
        return None
    vehicle_id, heard_ms, online = row
    basis = basis_of(course, model_version)
    kept = conn.execute(
        "SELECT time_ms, (SELECT max(time_ms) FROM checkpoint WHERE vehicle_id = ?1), state "
        "FROM vehicle_state WHERE vehicle_id = ?1 AND basis = ?2",
        (vehicle_id, basis),
    ).fetchone()
    time_ms, checkpoint_ms, body = (NEVER_MS, NEVER_MS, None) if kept is None else kept
    if body is not None and not _opens(body):
        time_ms, checkpoint_ms, body = NEVER_MS, NEVER_MS, None
    return Held(
        vehicle_id=vehicle_id,
        name=name,
        course=course,
        basis=basis,
        kept=blank(STATE) if body is None else body,
        last_ms=time_ms,
        checkpoint_ms=NEVER_MS if checkpoint_ms is None else checkpoint_ms,
        sequence=load_sequence(conn, vehicle_id),
        heard_ms=heard_ms,
        online=None if online is None else bool(online),
        on_file=body is not None,
    )


def on(held: Held, course: Course, model_version: str) -> Held:
    """Give a truck on another course; what of its state no longer holds is for ``rerun`` to mend."""
    basis = basis_of(course, model_version)
    return replace(held, course=course, basis=basis, stopped=False)


def pack(state: NDArray[Any]) -> bytes:
    """Give the bytes of a state as they are stored: most of its bins and days are empty."""
    return zlib.compress(state.tobytes(), 1)


def unpack(body: bytes) -> NDArray[Any]:
    """Give a state record of shape (1,) from its stored bytes; it can be changed."""
    return unpack_as(body, STATE)


def unpack_as(body: bytes, layout: np.dtype[Any]) -> NDArray[Any]:
    """Give a state as ``unpack`` does, of the layout that it was stored with."""
    return np.frombuffer(bytearray(zlib.decompress(body)), layout)


def _opens(body: bytes) -> bool:
    """Say whether a state is whole: one that a disk has damaged is computed anew, as one that is missing."""
    try:
        return len(unpack(body)) == 1
    except (zlib.error, ValueError):
        return False


def introduce(
    tx: sqlite3.Connection, name: str, course: Course, model_version: str, now_ms: int
) -> Held:
    """Take in a truck that was never heard before."""
    vehicle_id = tx.execute(
        "INSERT INTO vehicle (name, first_heard_ms, last_heard_ms) VALUES (?, ?, ?)",
        (name, now_ms, now_ms),
    ).lastrowid
    if vehicle_id is None:
        raise RuntimeError("SQLite gave no row id for a new truck")
    return Held(
        vehicle_id=vehicle_id,
        name=name,
        course=course,
        basis=basis_of(course, model_version),
        kept=blank(STATE),
        heard_ms=now_ms,
    )


def save(tx: sqlite3.Connection, held: Held) -> Held:
    """Write a truck's state."""
    tx.execute(
        "INSERT OR REPLACE INTO vehicle_state (vehicle_id, time_ms, checkpoint_ms, basis, "
        "state) VALUES (?, ?, ?, ?, ?)",
        (
            held.vehicle_id,
            held.last_ms,
            held.checkpoint_ms,
            held.basis,
            held.packed,
        ),
    )
    return replace(held, on_file=True, unsaved=False)


def forget_state(tx: sqlite3.Connection, held: Held) -> None:
    """Let the next start run a truck from its beginning."""
    tx.execute("DELETE FROM vehicle_state WHERE vehicle_id = ?", (held.vehicle_id,))


def save_heard(tx: sqlite3.Connection, held: Held) -> None:
    """Write when a truck was last heard."""
    tx.execute(
        "UPDATE vehicle SET last_heard_ms = ? WHERE id = ?", (held.heard_ms, held.vehicle_id)
    )


def save_sequence(tx: sqlite3.Connection, held: Held) -> None:
    """Write a gateway's counter."""
    sequence = held.sequence
    tx.execute(
        "INSERT OR REPLACE INTO sequence (vehicle_id, since_ms, newest_ms, spans, "
        "missing_before, base_known) VALUES (?, ?, ?, ?, ?, ?)",
        (
            held.vehicle_id,
            sequence.since_ms,
            sequence.newest_ms,
            json.dumps(sequence.spans),
            sequence.missing_before,
            int(sequence.base_known),
        ),
    )


def load_sequence(conn: sqlite3.Connection, vehicle_id: int) -> Sequence:
    """Load a gateway's counter: what of it has come, and what is missing."""
    row = conn.execute(
        "SELECT since_ms, newest_ms, spans, missing_before, base_known FROM sequence "
        "WHERE vehicle_id = ?",
        (vehicle_id,),
    ).fetchone()
    if row is None:
        return Sequence()
    since_ms, newest_ms, spans, missing_before, base_known = row
    return Sequence(
        since_ms=since_ms,
        newest_ms=newest_ms,
        spans=tuple((first, last, opened) for first, last, opened in json.loads(spans)),
        missing_before=missing_before,
        base_known=bool(base_known),
    )
