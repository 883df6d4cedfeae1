"""The daemon killed at random moments under load: nothing may be lost, doubled or told twice."""

from __future__ import annotations

from pathlib import Path
from random import Random

from tests.torture.figures import Figure, figure
from tests.torture.material import material
from tests.torture.rig import Rig, pause, rig

STARTING_SHARE = 0.2
"""Share of kills that come at any moment from the start of the process on."""


def daemon_kill(
    folder: Path,
    seed: int,
    *,
    protocol: str,
    kills: int,
    hours: float,
    trucks: int,
    rate: float,
) -> Figure:
    """Kill -9 while gateways that do not wait publish; the broker stays up."""
    rng = Random(f"{seed}/daemon_kill")
    stock = material(seed, hours=hours, more_trucks=trucks)
    with rig(folder, stock, protocol=protocol) as parts:
        parts.listen()
        gateways = parts.load(seed, rate=rate, waits=False)
        parts.child.wait_for(lambda: parts.child.messages > 0, "a first commit")
        parts.child.kill()
        at_work = 1
        for _ in range(kills - 1):
            at_work += _one_kill(parts, rng)
        under_load = gateways.at_work
        parts.child.start()
        parts.settle()
        verdict = parts.verdict()
        told = parts.notice_ids()
    return figure(
        "daemon_kill",
        verdict,
        seed=seed,
        faults=f"{kills} kills ({at_work} while committing), MQTT {protocol}",
        also=f"the receiver got {len(told)} with {len(set(told))} ids",
        fine=under_load,
    )


def _one_kill(parts: Rig, rng: Random) -> bool:
    """Start, let it come to work or not, kill; say whether it had committed anything."""
    child = parts.child
    before = child.messages
    child.start()
    if rng.random() < STARTING_SHARE:
        pause(rng.uniform(0.0, 2.0), lambda: child.running)
    else:
        child.wait_for(lambda: child.messages > before, "a first commit")
        pause(rng.expovariate(3.0), lambda: child.running)
    child.kill()
    return child.messages > before
