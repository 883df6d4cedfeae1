"""The journal: the transitions of each truck, and what follows from them, in one transaction.

``transition`` is what the detectors say of the stored samples and nothing else: the order in
which samples came, or how they were cut into commits, leaves no trace in it.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from alerts import evidence as numbers
from alerts.ledger import Alarm, alarms, standing
from alerts.lifecycle import acknowledge
from alerts.policy import Policy
from alerts.reconcile import NOTHING_ENDED, reconcile
from models.transition import Priority, Transition

__all__ = [
    "NO_CHANGES",
    "Changes",
    "acknowledge",
    "alarms",
    "history",
    "rewrite",
    "standing",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Changes:
    """What a rewrite did: transitions that are new or gone, alarms that are not as before."""

    added: tuple[Transition, ...] = ()
    removed: tuple[Transition, ...] = ()
    alarms: tuple[Alarm, ...] = ()


NO_CHANGES = Changes()

_Row = tuple[str, int, str, int, int, int, float, str]

_COLUMNS = "vehicle, time_ms, kind, onset_ms, active, priority, probability, evidence"
_TAIL = f"SELECT {_COLUMNS} FROM transition WHERE vehicle = ? AND time_ms > ?"  # noqa: S608 - our own names
_ORDER = "ORDER BY time_ms, vehicle, kind, onset_ms, active DESC, priority"
_HISTORY = f"SELECT {_COLUMNS} FROM transition {_ORDER}"  # noqa: S608 - our own names
_HISTORY_OF = f"SELECT {_COLUMNS} FROM transition WHERE vehicle = ? {_ORDER}"  # noqa: S608 - our own names
_INSERT = f"INSERT INTO transition ({_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?)"  # noqa: S608 - our own names
_DELETE = (
    "DELETE FROM transition WHERE vehicle = ? AND time_ms = ? AND kind = ? AND onset_ms = ? "
    "AND active = ? AND priority = ?"
)
_KEY_LENGTH = 6


def rewrite(
    tx: sqlite3.Connection,
    *,
    vehicle: str,
    after_ms: int,
    transitions: Sequence[Transition],
    now_ms: int,
    policy: Policy,
    appending: bool = False,
    rebuilt: bool = False,
    ended: Mapping[str, int] = NOTHING_ENDED,
) -> Changes:
    """Make the transitions of ``vehicle`` later than ``after_ms`` equal to ``transitions``.

    Parameters
    ----------
    appending
        The caller knows that nothing is stored after ``after_ms``; then nothing is looked up,
        and an empty list costs nothing.
    rebuilt
        The truck was run again because settings or models changed, not because samples came.
    ended
        Since when [ms] a kind is over, though no sample says so yet.

    Raises
    ------
    ValueError
        A transition is of another truck or not later than ``after_ms``.
    """
    if appending and not transitions:
        return NO_CHANGES
    new = _rows(vehicle, after_ms, transitions)
    old = set() if appending else {tuple(row) for row in tx.execute(_TAIL, (vehicle, after_ms))}
    removed, added = sorted(old - new), sorted(new - old)
    if not removed and not added:
        return NO_CHANGES
    tx.executemany(_DELETE, [row[:_KEY_LENGTH] for row in removed])
    tx.executemany(_INSERT, added)
    keys = {(row[2], row[3]) for row in (*removed, *added)}
    changed = reconcile(
        tx,
        vehicle=vehicle,
        keys=keys,
        now_ms=now_ms,
        policy=policy,
        rebuilt=rebuilt,
        ended=ended,
    )
    return Changes(
        added=tuple(map(_transition, added)),
        removed=tuple(map(_transition, removed)),
        alarms=tuple(changed),
    )


def history(conn: sqlite3.Connection, vehicle: str | None = None) -> list[Transition]:
    """List the transitions of one truck, or of all, in time order."""
    if vehicle is None:
        return [_transition(row) for row in conn.execute(_HISTORY)]
    return [_transition(row) for row in conn.execute(_HISTORY_OF, (vehicle,))]


def _rows(vehicle: str, after_ms: int, transitions: Sequence[Transition]) -> set[_Row]:
    for transition in transitions:
        if transition.vehicle != vehicle or transition.time_ms <= after_ms:
            raise ValueError(f"not of {vehicle} after {after_ms}: {transition}")
    return {_row(transition) for transition in transitions}


def _row(transition: Transition) -> _Row:
    return (
        transition.vehicle,
        int(transition.time_ms),
        transition.kind,
        int(transition.onset_ms),
        int(transition.active),
        int(transition.priority),
        float(transition.probability),
        numbers.encode(transition.evidence),
    )


def _transition(row: Any) -> Transition:
    vehicle, time_ms, kind, onset_ms, active, priority, probability, text = row
    return Transition(
        vehicle=vehicle,
        time_ms=time_ms,
        kind=kind,
        onset_ms=onset_ms,
        active=bool(active),
        priority=Priority(priority),
        probability=probability,
        evidence=numbers.decode(text),
    )
