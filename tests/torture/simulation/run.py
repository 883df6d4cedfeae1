"""One seed, or many."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.torture.figures import Figure, told
from tests.torture.simulation.check import problems
from tests.torture.simulation.world import World

MEMORY = Path("/dev/shm")
"""Where a store that is thrown away costs no disk."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What came of a seed; ``trace`` is the same for the same seed."""

    seed: int
    trace: str
    did: Counter[str]
    problems: tuple[str, ...]
    samples: int
    notices: int


def simulate(seed: int) -> Outcome:
    """Run one seed and check it."""
    place = MEMORY if MEMORY.is_dir() else None
    with TemporaryDirectory(prefix="heatbook-simulation-", dir=place) as folder:
        world = World(Path(folder), seed)
        world.run()
        faults = sum(world.fuse.failed.values())
        return Outcome(
            seed=seed,
            trace=world.trace,
            did=world.did + Counter({"fault": faults}),
            problems=tuple(problems(world)),
            samples=sum(len(said.samples) for said in world.said),
            notices=len(world.arrived),
        )


def simulation(folder: Path, seed: int, *, seeds: int) -> Figure:
    """Run many seeds, one after the other from ``seed`` on."""
    del folder  # each seed has its own, in memory
    did: Counter[str] = Counter()
    samples = notices = 0
    wrong: list[str] = []
    for number in range(seed, seed + seeds):
        outcome = simulate(number)
        did += outcome.did
        samples += outcome.samples
        notices += outcome.notices
        wrong += [f"seed {number}: {problem}" for problem in outcome.problems[:3]]
    failing = len({line.partition(":")[0] for line in wrong})
    return told(
        "simulation",
        faults=f"{seeds} seeds: {did['crash'] + did['failed start']} crashes, {did['fault']} "
        f"failed calls, {did['clock jump']} clock jumps, {did['reconnect']} reconnects",
        found=(
            f"{samples} samples published",
            f"{notices} notices taken",
            f"{did['enter']} deeds on the record",
            f"{did['move']} moves of history",
            f"{failing} seeds failing",
        ),
        seed=seed,
        fine=not wrong and did["crash"] > seeds // 10 and did["fault"] > seeds // 10,
        problems=wrong[:20],
    )
