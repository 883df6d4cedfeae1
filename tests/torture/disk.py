"""No room on the disk: nothing is acknowledged that is not stored, and room brings all back.

The room is taken away by a limit on the size of the daemon's files, which SQLite meets in a write as
it meets a full disk, but without taking room from anybody else.
"""

from __future__ import annotations

import resource
from pathlib import Path

from tests.torture.figures import Figure, figure
from tests.torture.material import material
from tests.torture.rig import Rig, rig

MARGIN_BYTES = 100_000
"""What is left when the room is taken away."""


def disk_full(folder: Path, seed: int, *, hours: float, trucks: int, rate: float) -> Figure:
    """Fill up, find room again; fill up once more, and kill the daemon in that state."""
    stock = material(seed, hours=hours, more_trucks=trucks)
    with rig(folder, stock) as parts:
        parts.listen()
        gateways = parts.load(seed, rate=rate, waits=False)
        child = parts.child
        child.wait_for(lambda: child.messages > 0, "a first commit")
        failed = _fill(parts)
        _limit(child.pid, resource.RLIM_INFINITY)
        child.wait_for(lambda: child.log.count("store.recovered") > 0, "the daemon to go on")
        _fill(parts)
        under_load = gateways.at_work
        child.kill()
        child.start()
        parts.settle()
        verdict = parts.verdict()
    return figure(
        "disk_full",
        verdict,
        seed=seed,
        faults="filled twice, once killed while full",
        also=f"first said as {failed!r}",
        fine=under_load,
    )


def _fill(parts: Rig) -> str:
    """Take the room away and wait until a commit has failed for it; give what was said."""
    child = parts.child
    before = child.log.count("store.failed")
    files = (child.store, child.store.with_name(child.store.name + "-wal"))
    largest = max(file.stat().st_size for file in files)
    _limit(child.pid, largest + MARGIN_BYTES)
    child.wait_for(lambda: child.log.count("store.failed") > before, "a commit to fail")
    held = child.messages
    # The daemon tries again each second; several failures must not have let anything through.
    child.wait_for(lambda: parts.ledger.acknowledged > held + 2000, "the broker to fill up")
    assert child.messages == held, "something was committed without room"
    line = next(line for line in child.log.splitlines() if "store.failed" in line)
    return line.partition('"reason": "')[2].partition('"')[0]


def _limit(pid: int, size: int) -> None:
    resource.prlimit(pid, resource.RLIMIT_FSIZE, (size, resource.RLIM_INFINITY))
