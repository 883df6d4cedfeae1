"""Each so many calls to the disk fail, under load; and the power is cut as well.

The calls are those of the real process: strace has them fail without being made. A sync that failed may have
dropped what it was about, and the next one says nothing of that: whoever acknowledges after it loses.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path
from random import Random

from deploy.waiting import until
from tests.torture.child import Child
from tests.torture.figures import LASTED, Figure, figure
from tests.torture.material import material
from tests.torture.power.calls import Call, calls, failed, traced
from tests.torture.power.cuts import cut_everywhere
from tests.torture.power.recording import recorded
from tests.torture.rig import Rig, rig

KINDS = (
    "fdatasync:error=EIO",
    "pwrite64:error=EIO",
    "pwrite64:error=ENOSPC",
    "fdatasync:error=ENOSPC",
    "fsync:error=EIO",
    "ftruncate:error=EIO",
)
"""What fails, and how: SQLite writes and syncs by these."""

MESSAGES = 150
"""So many more must be committed before a life ends in order."""

LIFE_S = 60.0
"""How long a life may take; one that commits no more by then is ended too."""


def disk_errors(
    folder: Path, seed: int, *, lives: int, hours: float, rate: float, every: int
) -> Figure:
    """Let a daemon live again and again while calls fail, then undisturbed; cut the power at each change."""
    rng = Random(f"{seed}/errors")
    found: list[Call] = []
    faults = ends = 0
    with rig(folder, material(seed, hours=hours)) as parts:
        trace = folder / "life.strace"
        parts.child.through = traced(trace)
        parts.listen()
        gateways = parts.load(seed, rate=rate, waits=False)
        parts.child.wait_for(lambda: parts.child.messages > 0, "a first commit")
        assert parts.child.stop() == 0
        found += calls(trace)
        for number in range(lives):
            parts.child.through = traced(trace, fault=_fault(number, rng))
            ends += _live(parts)
            faults += failed(trace)
            found += calls(trace, after=found[-1].ended)
        parts.child.through = traced(trace)
        parts.child.start()
        under_load = gateways.at_work
        parts.settle()
        found += calls(trace, after=found[-1].ended)
        verdict = parts.verdict()
        recording = recorded(parts, found)
    outcome = cut_everywhere(recording, seed, every=every)
    return figure(
        "disk_errors",
        verdict,
        seed=seed,
        faults=f"{faults} calls to the disk that failed in {lives} lives, {ends} ended by it, "
        f"{outcome.cuts} power cuts",
        also=f"{outcome.images} images, {', '.join(outcome.words)}",
        must={
            LASTED: under_load,
            "some calls failed": faults > 0,
            "every image is whole and has what was acknowledged": outcome.fine,
        },
    )


def _fault(number: int, rng: Random) -> str:
    """Choose what fails in a life: in each third from its start on, else later."""
    first = rng.randrange(2, 12) if number % 3 == 2 else rng.randrange(20, 60)
    # Each thread counts its own calls: what fails by and by is spread over all that it does.
    return f"{KINDS[number % len(KINDS)]}:when={first}+{rng.randrange(13, 40)}"


def _live(parts: Rig) -> bool:
    """Live for some messages; say whether the daemon ended by itself."""
    child = parts.child
    wanted = _messages(child) + MESSAGES
    child.start()
    until(lambda: not child.running or _messages(child) >= wanted, LIFE_S)
    by_itself = not child.running
    child.stop()
    return by_itself


def _messages(child: Child) -> int:
    """Count what is committed, 0 while there is no store to ask."""
    try:
        return child.messages
    except sqlite3.Error:
        return 0
