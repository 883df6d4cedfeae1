"""A fault at every call to the world, one run for each: the call fails, or the process dies over it."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.torture.figures import Figure, told
from tests.torture.simulation.check import problems
from tests.torture.simulation.fuse import Fuse
from tests.torture.simulation.run import MEMORY
from tests.torture.simulation.world import World


def every_call(folder: Path, seed: int, *, step: int) -> Figure:
    """Let call 0, ``step``, 2 ``step`` ... of one script fail, and in another run kill; check each run."""
    del folder  # each run has its own, in memory
    sound, _ = _run(seed)
    calls = sound.calls.total()
    failed: Counter[str] = Counter()
    deaths = 0
    wrong: list[str] = []
    for number in range(0, calls, step):
        for dies in (False, True):
            world, found = _run(seed, number, dies=dies)
            failed += world.failed
            deaths += dies
            how = "dies over" if dies else "fails at"
            wrong += [f"{how} call {number}: {problem}" for problem in found[:3]]
    kinds = ", ".join(f"{count} {kind}" for kind, count in sorted(failed.items()))
    return told(
        "every_call",
        faults=f"each {step}. of {calls} calls of one script fails ({kinds}), and kills ({deaths})",
        found=(f"{len(wrong)} problems after {2 * len(range(0, calls, step))} runs",),
        seed=seed,
        fine=not wrong and bool(failed["sql"]) and deaths > 0,
        problems=wrong[:20],
    )


def _run(seed: int, number: int | None = None, *, dies: bool = False) -> tuple[Fuse, list[str]]:
    place = MEMORY if MEMORY.is_dir() else None
    with TemporaryDirectory(prefix="heatbook-every-call-", dir=place) as folder:
        world = World(Path(folder), seed, calm=True)
        if number is not None and dies:
            world.fuse.left = number
        elif number is not None:
            world.fuse.sound, world.fuse.failing = number, 1
        world.run()
        return world.fuse, problems(world)
