"""A real daemon's life written down: it makes its store, takes samples, tells, moves history, ends."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from deploy.clock import wall_ms
from tests.brokers import ChildBroker, peer
from tests.torture.flood import TROUBLED
from tests.torture.ledger import Ledger, time_ms
from tests.torture.material import Material, material, only
from tests.torture.power.calls import Call, calls, traced
from tests.torture.power.medium import Medium
from tests.torture.power.promises import Promise, promises
from tests.torture.rig import NOW_MS, Rig, rig

LATER_DAYS = 70
"""How long after the samples the move comes: their month is over then, and past its days in the store."""

DAY_S = 86_400

HOURS = 3.0
"""How much of the morning is taken: valves stick and trucks overheat in it."""

LATE_SAMPLES = 12
"""Samples that come only when their month lies in the archive already."""

_MOVED = "SELECT count(*) FROM history_move WHERE done_ms IS NOT NULL"


@dataclass(frozen=True, slots=True, kw_only=True)
class Recording:
    """All lives in order, what was promised meanwhile, and what the gateways sent."""

    root: Path
    config: Path
    calls: Sequence[Call]
    promises: Sequence[Promise]
    ledger: Ledger


def record(
    folder: Path, seed: int, *, samples: int, rate: float, lives: int, synchronous: str = "full"
) -> Recording:
    """Record a daemon that is started ``lives`` times: samples; a move of history, late samples; a move."""
    stock = stock_of(seed, samples)
    found: list[Call] = []
    with rig(folder, stock, real_clock=True) as parts:
        child = parts.child
        settings = child.settings.replace(
            "[store]\n", f'[store]\nsynchronous = "{synchronous}"\n'
        )
        for number in range(lives):
            trace = folder / f"life-{number}.strace"
            child.settings = settings + clock(number and LATER_DAYS + number)
            child.through = traced(trace)
            parts.listen()
            if number == 0:
                _load(parts, seed, rate)
            else:
                child.wait_for(
                    lambda moves=number: child.count(_MOVED) >= moves,  # type: ignore[misc]
                    "the move of history",
                )
                _send_late(parts, stock) if number == 1 else None
            child.wait_for(parts.told_all, "the daemon to tell everything")
            code = child.stop()
            assert code == 0, f"the daemon ended with {code}: {child.log[-2000:]}"
            found += calls(trace, after=found[-1].ended if found else 0)
            trace.unlink()
        return recorded(parts, found)


def recorded(parts: Rig, found: Sequence[Call]) -> Recording:
    """Put together what was recorded of a daemon; of its calls those that name something below its folder."""
    below = "".join(f"\\x{byte:02x}" for byte in str(parts.folder).encode())
    return Recording(
        root=parts.folder,
        config=parts.child.config,
        calls=sorted((call for call in found if below in call.args), key=Medium.order),
        promises=promises(found, broker_port=parts.broker.port, web_port=parts.web.port),
        ledger=parts.ledger,
    )


def stock_of(seed: int, samples: int) -> Material:
    """Take so many samples of troubled trucks, evenly from a morning that has alarms in it."""
    whole = only(material(seed, hours=HOURS), TROUBLED)
    every = max(1, len(whole.samples) // samples)
    seen = dict.fromkeys(whole.vehicles, -1)
    taken = []
    for vehicle, sample in whole.samples:
        seen[vehicle] += 1
        if seen[vehicle] % every == 0:
            taken.append((vehicle, sample))
    return replace(whole, samples=tuple(taken))


def _load(parts: Rig, seed: int, rate: float) -> None:
    gateways = parts.load(seed, rate=rate, waits=False)
    parts.child.wait_for(gateways.drained, "the gateways to get rid of their samples")
    parts.child.wait_for(parts.has_all, "the daemon to store everything")


def _send_late(parts: Rig, stock: Material) -> None:
    """Send samples of a month that lies in the archive."""
    before = parts.child.count("SELECT sum(samples) FROM journal")
    with peer(ChildBroker(parts.broker)) as sender:
        for number in range(LATE_SAMPLES):
            vehicle, sample = stock.samples[-1 - number]
            late = {**sample, "time": time_ms(sample) / 1000.0 - 7.0}
            seq = max(parts.ledger.trucks[vehicle].samples) + 1
            parts.ledger.record(vehicle, seq, late)
            sender.post(f"fleet/{vehicle}/telemetry", json.dumps({**late, "seq": seq}).encode())
        parts.child.wait_for(
            lambda: (
                parts.child.count("SELECT sum(samples) FROM journal") >= before + LATE_SAMPLES
            ),
            "the late samples to be stored",
        )


def clock(days: int) -> str:
    """Write the settings by which a daemon believes that so many days have passed since the samples."""
    anchor = datetime.fromtimestamp(wall_ms() / 1000, UTC).isoformat()
    start = datetime.fromtimestamp(NOW_MS / 1000 + days * DAY_S, UTC).isoformat()
    return f"\n[clock]\nrate = 1.0\nstart = {start}\nanchor = {anchor}\n"
