"""Ten times the usual load, and a whole fleet that comes back at once: later, but nothing lost."""

from __future__ import annotations

import time
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, cast

from deploy.clock import wall_ms
from deploy.database import read_only
from deploy.waiting import until
from tests.torture.child import Child
from tests.torture.figures import LASTED, Figure, figure
from tests.torture.ledger import time_ms
from tests.torture.material import Live, Material, material
from tests.torture.proc import usage
from tests.torture.rig import Rig, rig

LOOK_S = 0.25
CALM_S = 2.0
DAY_MS = 86_400_000
PATIENCE_S = 900.0
FULL_WINDOW_MB = 100.0
"""How much the daemon may grow by while it is behind: what waits for it waits in the broker [MB]."""

BOUNDED = f"memory grew by at most {FULL_WINDOW_MB:.0f} MB"


@dataclass(slots=True)
class Course:
    """How far behind the daemon was, look by look."""

    at_s: list[float] = field(default_factory=list)
    behind: list[int] = field(default_factory=list)
    rss_mb: list[float] = field(default_factory=list)

    def look(self, parts: Rig) -> None:
        """Look once: samples recorded by the gateways that are not yet stored, and the memory."""
        stored = parts.child.count("SELECT sum(samples) FROM journal")
        self.at_s.append(time.monotonic())
        self.behind.append(parts.ledger.recorded - stored)
        self.rss_mb.append(usage(parts.child.pid).rss_mb)


def burst(folder: Path, seed: int, *, usual: float, times: int, for_s: float) -> Figure:
    """Send at the usual rate, then so many times as fast for a while, then at the usual rate again."""
    stock = material(seed, hours=2.0)
    live = replace(stock, samples=cast("Any", Live(stock, wall_ms)))
    course = Course()
    with rig(folder, live, real_clock=True, now_ms=wall_ms() + DAY_MS) as parts:
        parts.listen()
        gateways = parts.load(seed, rate=usual, waits=True)
        parts.child.wait_for(lambda: parts.child.messages > 0, "a first commit")
        _watch(parts, course, CALM_S)
        begun_ms = wall_ms()
        gateways.pace(usual * times)
        _watch(parts, course, for_s)
        under_load = gateways.at_work
        gateways.pace(usual)
        ended_ms = wall_ms()
        caught_up_s = _caught_up(parts, course, usual)
        calm_ms = wall_ms()
        _watch(parts, course, CALM_S)
        parts.settle()
        verdict = parts.verdict()
        in_burst = p99(_delays(parts.child, begun_ms, ended_ms))
        after = p99(_delays(parts.child, calm_ms, wall_ms()))
    grew_mb = max(course.rss_mb) - course.rss_mb[0]
    return figure(
        "burst",
        verdict,
        seed=seed,
        faults=f"{usual:.0f} samples/s, then {usual * times:.0f} for {for_s:.0f} s",
        also=(
            f"at most {max(course.behind)} samples behind, 99 of 100 committed within "
            f"{in_burst:.2f} s in the burst and {after:.2f} s after it, caught up "
            f"{caught_up_s:.1f} s after, memory +{grew_mb:.0f} MB"
        ),
        must={LASTED: under_load, BOUNDED: grew_mb <= FULL_WINDOW_MB},
    )


def herd(folder: Path, seed: int, *, hours: float, rate: float) -> Figure:
    """Let the whole fleet be offline for an hour of its time and come back at once."""
    stock = material(seed, hours=hours)
    course = Course()
    with rig(folder, stock) as parts:
        parts.listen()
        gateways = parts.load(seed, rate=rate, waits=True)
        parts.child.wait_for(lambda: parts.child.messages > 0, "a first commit")
        wanted = parts.ledger.recorded + _an_hour(stock)
        gateways.hold_back(True)
        until(lambda: parts.ledger.recorded >= wanted or not gateways.at_work, PATIENCE_S)
        kept = gateways.kept
        under_load = gateways.at_work
        course.look(parts)
        gateways.hold_back(False)
        began = time.monotonic()
        caught_up_s = _caught_up(parts, course, rate)
        stored = parts.child.count("SELECT sum(samples) FROM journal")
        speed = stored / (time.monotonic() - began)
        parts.settle()
        verdict = parts.verdict()
    grew_mb = max(course.rss_mb) - course.rss_mb[0]
    return figure(
        "herd",
        verdict,
        seed=seed,
        faults=f"{len(stock.vehicles)} gateways an hour offline, back at once with {kept} samples",
        also=(
            f"caught up {caught_up_s:.1f} s after ({speed:.0f} samples/s), memory +{grew_mb:.0f} MB"
        ),
        must={
            LASTED: under_load,
            "the gateways kept something back": kept > 0,
            BOUNDED: grew_mb <= FULL_WINDOW_MB,
        },
    )


def _an_hour(stock: Material) -> int:
    first, last = (time_ms(stock.samples[n][1]) for n in (len(stock.vehicles), -1))
    return round(len(stock.samples) * 3_600_000 / (last - first))


def _watch(parts: Rig, course: Course, for_s: float) -> None:
    end = time.monotonic() + for_s
    while time.monotonic() < end:
        course.look(parts)
        time.sleep(LOOK_S)


def _caught_up(parts: Rig, course: Course, rate: float) -> float:
    """Wait until the daemon is no further behind than a second's samples; give how long that took [s]."""
    began = time.monotonic()

    def done() -> bool:
        course.look(parts)
        return course.behind[-1] <= max(rate, 50.0)

    parts.child.wait_for(done, "the daemon to catch up")
    return time.monotonic() - began


def _delays(child: Child, from_ms: int, until_ms: int) -> list[int]:
    """Give the times from recording a message's last sample to taking it in, in a span [ms]."""
    with read_only(child.store) as conn:
        rows = conn.execute(
            "SELECT received_ms - last_ms FROM journal WHERE last_ms BETWEEN ? AND ?",
            (from_ms, until_ms),
        )
        return [row[0] for row in rows]


def p99(delays_ms: list[int]) -> float:
    """Give what 99 of 100 stay within [s]."""
    ordered = sorted(delays_ms)
    return ordered[(len(ordered) - 1) * 99 // 100] / 1000.0
