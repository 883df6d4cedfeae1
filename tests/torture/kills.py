"""The daemon killed at random moments under load: nothing may be lost, doubled or told twice."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import ExitStack
from functools import partial
from pathlib import Path
from random import Random
from statistics import median

from tests.torture.child import Child
from tests.torture.figures import LASTED, Figure, figure
from tests.torture.material import material
from tests.torture.nursery import NurseryChild, nursery
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
    forked: bool = False,
) -> Figure:
    """Kill -9 while gateways that do not wait publish; the broker stays up.

    ``forked``: the daemons come from a nursery, see there; else each starts from nothing.
    """
    rng = Random(f"{seed}/daemon_kill")
    stock = material(seed, hours=hours, more_trucks=trucks)
    recovered_s: list[float] = []
    with ExitStack() as stack:
        child_of: Callable[..., Child] = Child
        if forked:
            child_of = partial(NurseryChild, nursery=stack.enter_context(nursery()))
        parts = stack.enter_context(rig(folder, stock, protocol=protocol, child_of=child_of))
        parts.listen()
        gateways = parts.load(seed, rate=rate, waits=False)
        parts.child.wait_for(lambda: parts.child.messages > 0, "a first commit")
        parts.child.kill()
        at_work = 1
        for _ in range(kills - 1):
            at_work += _one_kill(parts, rng, recovered_s)
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
        also=f"the receiver got {len(told)} with {len(set(told))} ids, from {_origin(forked)} to "
        f"the first commit {_spans(recovered_s)}",
        must={LASTED: under_load},
    )


def _spans(found_s: list[float]) -> str:
    if not found_s:
        return "not measured"
    return f"{median(found_s):.1f} s, at most {max(found_s):.1f} s"


def _origin(forked: bool) -> str:
    return "the fork" if forked else "the start of the process"


def _one_kill(parts: Rig, rng: Random, recovered_s: list[float]) -> bool:
    """Start, let it come to work or not, kill; say whether it had committed anything.

    ``recovered_s``: how long it took until it committed again, added where that was waited for.
    """
    child = parts.child
    before = child.messages
    began = time.monotonic()
    child.start()
    if rng.random() < STARTING_SHARE:
        pause(rng.uniform(0.0, 2.0), lambda: child.running)
    else:
        child.wait_for(lambda: child.messages > before, "a first commit")
        recovered_s.append(time.monotonic() - began)
        pause(rng.expovariate(3.0), lambda: child.running)
    child.kill()
    return child.messages > before
