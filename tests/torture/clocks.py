"""The machine's clock set wrong under load and over restarts: as if it had not been."""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from random import Random
from typing import Any, cast

from deploy.steady_clock import AGREES_MS
from tests.torture.child import Child
from tests.torture.clock_child import Dials
from tests.torture.figures import LASTED, Figure, figure
from tests.torture.material import Live, material, only
from tests.torture.rig import Rig, pause, rig

HOUR_MS = 3_600_000
JUMPS_MS = tuple(
    sign * span for span in (HOUR_MS, 24 * HOUR_MS, 365 * 24 * HOUR_MS) for sign in (1, -1)
)
TRUCKS = ("NF-01", "NF-02", "NF-03", "NF-05", "NF-08")
SILENT = "SELECT count(*) FROM alarm WHERE kind = 'gateway_silent'"
AHEAD = "SELECT count(*) FROM journal WHERE last_ms > {}"
REFUSED = "SELECT refused FROM quarantine_total"
SLOT_HOUR = 6
"""When the daily look at service dates is due, by default [h, UTC]."""

BEFORE_SLOT_MS = 4_000
"""So long before that the load begins: the hour falls into the jumps."""

AWAY_MS = 600_000
"""How long the daemon is away before it starts a year behind: more than a sample may be ahead [ms]."""

DONE = '"job": "service dates", "event": "job.done"'


@dataclass(slots=True)
class Times:
    """The true time, which trucks have, and what the machine's clock shows."""

    dials: Dials
    passed_ms: int = 0

    def now_ms(self) -> int:
        """Give the true time [Unix ms]."""
        return time.time_ns() // 1_000_000 + self.passed_ms

    def let_pass(self, span_ms: int, *, wrong_ms: int = 0) -> None:
        """Let time pass that does not really, and set the clock."""
        self.passed_ms += span_ms
        self.dials.turn(passed_ms=self.passed_ms, wrong_ms=wrong_ms)


def clock_jumps(folder: Path, seed: int, *, times: int, rate: float) -> Figure:
    """Set the clock wrong by an hour, a day, a year, both ways, again and again; restart meanwhile."""
    rng = Random(f"{seed}/clock")
    folder.mkdir(parents=True, exist_ok=True)
    clock = Times(Dials(folder / "dials"))
    clock.let_pass(0)
    stock = only(material(seed, hours=2.0), TRUCKS)
    live = replace(stock, samples=cast("Any", Live(stock, clock.now_ms)))
    entry = (sys.executable, "-m", "tests.torture.clock_child", str(clock.dials.path))
    with rig(
        folder,
        live,
        real_clock=True,
        silent_after_s=900.0,
        child_of=partial(Child, through=entry),
        now_ms=clock.now_ms() + 7 * 24 * HOUR_MS,
    ) as parts:
        parts.listen()
        clock.let_pass(_until_slot(clock.now_ms()))  # nobody drives yet
        gateways = parts.load(seed, rate=rate, waits=True)
        jumps = [*JUMPS_MS] * times
        rng.shuffle(jumps)
        for jump_ms in jumps:
            _jump(parts, clock, jump_ms, rng)
        early = sum(_start_behind(parts, clock) for _ in range(times))
        under_load = gateways.at_work
        child = parts.child
        child.wait_for(lambda: DONE in child.log, "the daily look at service dates")
        parts.settle()
        verdict = parts.verdict()
        silences, refused = child.count(SILENT), child.count(REFUSED)
        looks = child.log.count(DONE)
    return figure(
        "clock_jumps",
        verdict,
        seed=seed,
        faults=(
            f"{len(jumps)} jumps of ±1 h, ±1 day, ±1 year and back, {times} starts a year behind"
        ),
        also=(
            f"{silences} false silences, {refused} samples refused, {early} taken in before the "
            f"clock was right, the daily job ran {looks} times for 1 slot"
        ),
        must={
            LASTED: under_load,
            "no false silence": not silences,
            "no sample refused": not refused,
            "nothing taken in early": not early,
            "the daily job ran once": looks == 1,
        },
    )


def _until_slot(now_ms: int) -> int:
    """Give how long it is until shortly before the next daily look [ms]."""
    now = datetime.fromtimestamp(now_ms / 1000, UTC)
    slot = now.replace(hour=SLOT_HOUR, minute=0, second=0, microsecond=0)
    slot += timedelta(days=slot <= now + timedelta(milliseconds=2 * BEFORE_SLOT_MS))
    return round(slot.timestamp() * 1000) - BEFORE_SLOT_MS - now_ms


def _jump(parts: Rig, clock: Times, jump_ms: int, rng: Random) -> None:
    """Set the clock wrong, let messages come, set it right, let messages come."""
    for wrong_ms in (jump_ms, 0):
        clock.let_pass(0, wrong_ms=wrong_ms)
        wanted = parts.child.messages + 20
        parts.child.wait_for(partial(_taken, parts, wanted), "commits after a jump")
        pause(rng.uniform(0.2, 0.8), lambda: parts.child.running)


def _taken(parts: Rig, wanted: int) -> bool:
    return parts.child.messages >= wanted


def _start_behind(parts: Rig, clock: Times) -> int:
    """Kill it, start it a while later a year behind, set the clock right; give what it took in before.

    What the broker still kept from before the kill lies not ahead, and may be taken in.
    """
    child = parts.child
    child.kill()
    killed_ms = clock.now_ms()
    clock.let_pass(AWAY_MS, wrong_ms=-JUMPS_MS[-2])
    waits = child.log.count("clock.behind")
    child.start()
    child.wait_for(lambda: child.log.count("clock.behind") > waits, "it to wait for its clock")
    pause(1.0, lambda: child.running)
    early = child.count(AHEAD.format(killed_ms + AGREES_MS))
    clock.let_pass(0)
    child.wait_for(partial(_taken, parts, child.messages + 20), "commits once it is right")
    return early
