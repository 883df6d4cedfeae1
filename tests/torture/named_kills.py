"""The daemon killed at named points of its work, over and over: between any two steps, nothing is lost."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from functools import partial
from pathlib import Path
from random import Random
from signal import SIGKILL

from deploy.database import beside_daemon
from deploy.history_keeper import ask
from deploy.waiting import until
from ingest import record
from ingest.entry import Entry
from simulator.northfold import START_MS
from tests.torture.child import PATIENCE_S
from tests.torture.figures import LASTED, Figure, figure
from tests.torture.material import material
from tests.torture.nursery import NurseryChild, Point, nursery
from tests.torture.rig import Rig, rig

Nudge = Callable[[Rig, Random], None]

NUDGE_S = 0.25
"""How often what leads to the point is asked for anew [s]."""

MOVES = ("month_written", "month_renamed", "month_kept", "month_row", "slice", "between_slices")

LATER_MS = START_MS + 18 * 86_400_000
"""What the daemon's clock reads: in the next month, so that all its samples may go to the archive."""

MOVES_SOON = "[archive]\nhot_days = 1.0\n"

PENDING = "SELECT count(*) FROM history_move WHERE done_ms IS NULL"
UNTAKEN = (
    "SELECT count(*) FROM service_entry WHERE id NOT IN (SELECT entry_id FROM service_taken)"
)


def kills_at_points(
    folder: Path, seed: int, *, times: int, hours: float, trucks: int, rate: float
) -> Figure:
    """Kill at each point so many times, under load, with entries of the record and moves of history."""
    rng = Random(f"{seed}/points")
    stock = material(seed, hours=hours, more_trucks=trucks)
    with (
        nursery() as origin,
        rig(
            folder,
            stock,
            child_of=partial(NurseryChild, nursery=origin),
            now_ms=LATER_MS,
            more=MOVES_SOON,
        ) as parts,
    ):
        parts.listen()
        gateways = parts.load(seed, rate=rate, waits=False)
        parts.child.wait_for(lambda: parts.child.messages > 0, "a first commit")
        parts.child.kill()
        for name in _order(rng, times):
            _one_kill(parts, rng, name)
        under_load = gateways.at_work
        _child(parts).points = ()
        parts.child.start()
        _finish(parts)
        verdict = parts.verdict()
        told = parts.notice_ids()
    return figure(
        "kills_at_points",
        verdict,
        seed=seed,
        faults=f"{times * len(LEADS)} kills, {times} at each of {len(LEADS)} points: "
        + " ".join(LEADS),
        also=f"the receiver got {len(told)} with {len(set(told))} ids, "
        f"{len(parts.entries)} entries, all history moved",
        must={LASTED: under_load},
    )


def _order(rng: Random, times: int) -> Sequence[str]:
    """Shuffle the points; those of a notice come first and all together.

    A notice that a process died over waits for the next one: it serves for all these kills, where one
    daemon left alone between them would have told it.
    """
    notices = ["notice_claimed", "notice_taken"] * times
    others = [name for name in LEADS if name not in notices] * times
    rng.shuffle(notices)
    rng.shuffle(others)
    return [*notices, *others]


def _one_kill(parts: Rig, rng: Random, name: str) -> None:
    """Start a daemon that dies at a point, and lead it there."""
    child, lead = _child(parts), LEADS[name]
    nth = 1 if name.startswith("notice") else rng.randint(1, 3)
    child.points = (Point(name=name, nth=nth),)
    lead(parts, rng)
    child.start()
    deadline = time.monotonic() + PATIENCE_S
    while (code := child.ended(NUDGE_S)) is None:
        assert time.monotonic() < deadline, f"it never came to {name}: {child.log[-2000:]}"
        # A store that is busy is asked again the next time.
        with suppress(sqlite3.OperationalError):
            lead(parts, rng)
    assert code == -SIGKILL, f"it ended by itself: {child.log[-4000:]}"


def _child(parts: Rig) -> NurseryChild:
    assert isinstance(parts.child, NurseryChild)
    return parts.child


def _by_itself(_parts: Rig, _rng: Random) -> None:
    """Do nothing: the load leads there."""


def _move(parts: Rig, _rng: Random) -> None:
    with beside_daemon(parts.child.store) as tx:
        ask(tx, LATER_MS)


def _enter(parts: Rig, rng: Random) -> None:
    """Enter work on a truck somewhere in its day, if nothing waits to be taken up."""
    if parts.child.count(UNTAKEN):
        return
    entry = Entry(
        vehicle=rng.choice(parts.material.vehicles),
        kind="top_up",
        time_ms=START_MS + rng.randrange(36_000) * 1000 + len(parts.entries) % 1000,
        who="shop",
        entered_ms=LATER_MS,
        numbers={"volume_l": rng.choice((0.5, 1.0, 1.5))},
    )
    with beside_daemon(parts.child.store) as tx:
        record.add(tx, entry)
    parts.entries.append(entry)


LEADS: Mapping[str, Nudge] = {
    "received": _by_itself,
    "transaction": _by_itself,
    "committed": _by_itself,
    "acknowledged": _by_itself,
    "notice_claimed": _by_itself,
    "notice_taken": _by_itself,
    "entry_transaction": _enter,
    "entry_committed": _enter,
    **dict.fromkeys(MOVES, _move),
}
"""What leads to each point."""


def _finish(parts: Rig) -> None:
    """Let all be taken in and told, then have the rest of history moved."""
    child, gateways = parts.child, parts.gateways
    assert gateways is not None
    gateways.finish()
    child.wait_for(gateways.drained, "the gateways to get rid of their samples")
    child.wait_while_committing(parts.has_last_words, "the daemon to store everything")
    child.wait_for(lambda: child.count(UNTAKEN) == 0, "the record to be taken up")
    # One that is asked for already may have begun before the last words came.
    for _ in range(2):
        child.wait_for(lambda: child.count(PENDING) == 0, "the move to be done")
        _move(parts, Random())
    child.wait_for(lambda: child.count(PENDING) == 0, "the move to be done")
    child.wait_for(parts.told_all, "the daemon to tell everything")
    assert until(lambda: child.count("SELECT count(*) FROM journal") == 0, PATIENCE_S)
    assert child.stop() == 0, child.log[-4000:]
