"""A very large fleet: what the daemon costs for each message and for nothing, its size, its start."""

from __future__ import annotations

import json
import time
from collections import deque
from pathlib import Path

from paho.mqtt.client import MQTTMessageInfo

from tests.brokers import ChildBroker, Peer, peer
from tests.torture.figures import Figure, told
from tests.torture.material import Material
from tests.torture.proc import usage
from tests.torture.rig import NOW_MS, Rig, rig

PATIENCE_S = 1500.0
UNDER_WAY = 2_000
EVERY_MS = 60_000
"""How often each truck speaks."""

HEARD = "SELECT count(*) FROM vehicle"


def big_fleet(
    folder: Path, seed: int, *, trucks: int, rounds: int, idle_s: float, cores: float
) -> Figure:
    """Let each of so many registered trucks speak once a minute; start again with all of them.

    ``idle_s``: how long it is watched while nothing comes. ``cores``: what it may take in all.
    """
    names = [f"T-{number:06d}" for number in range(trucks)]
    fleet = "\n".join(f'[vehicles.{name}]\nname = "Truck {name}"' for name in names)
    stock = Material(samples=(), fleet_file=fleet, vehicles=tuple(names))
    with rig(folder, stock) as parts:
        parts.child.patience_s = PATIENCE_S
        first_s = _started(parts)
        before = usage(parts.child.pid)
        _round(parts, names, 0)
        met = usage(parts.child.pid)
        for number in range(1, rounds):
            _round(parts, names, number)
        after = usage(parts.child.pid)
        time.sleep(idle_s)
        idle = (usage(parts.child.pid).cpu_s - after.cpu_s) / idle_s
        stored = parts.child.count("SELECT sum(samples) FROM journal")
        assert parts.child.stop() == 0
        again_s = _started(parts)
        again = usage(parts.child.pid)
        held = parts.child.count(HEARD)
        assert parts.child.stop() == 0
    first_us, next_us = (
        1e6 * (met.cpu_s - before.cpu_s) / trucks,
        1e6 * (after.cpu_s - met.cpu_s) / ((rounds - 1) * trucks),
    )
    rate = trucks * 1000.0 / EVERY_MS
    used = next_us / 1e6 * rate + idle
    found = (
        f"{stored} of {rounds * trucks} samples stored",
        f"{next_us:.0f} µs of one core a message ({first_us:.0f} the first time)",
        f"{idle:.2f} cores when nothing comes",
        f"at {rate:.0f} messages/s {used:.2f} cores",
        f"{before.rss_mb:.0f} MB before any was heard, {after.rss_mb:.0f} MB after",
        f"{again.rss_mb:.0f} MB after a restart",
        f"ready {first_s:.0f} s after the first start",
        f"ready {again_s:.0f} s after the second ({again.cpu_s:.0f} s of one core)",
    )
    return told(
        "big_fleet",
        faults=f"{trucks} registered trucks, {rounds} messages of each",
        found=found,
        seed=seed,
        fine=stored == rounds * trucks and held == trucks and used <= cores,
    )


def _started(parts: Rig) -> float:
    began = time.monotonic()
    parts.listen()
    return time.monotonic() - began


def _round(parts: Rig, names: list[str], number: int) -> None:
    """Let each truck speak once, and wait until all of it is committed."""
    wanted = parts.child.messages + len(names)
    with peer(ChildBroker(parts.broker)) as sender:
        waiting: deque[MQTTMessageInfo] = deque()
        for place, name in enumerate(names):
            waiting.append(_say(sender, name, place, number))
            if len(waiting) > UNDER_WAY:
                waiting.popleft().wait_for_publish(PATIENCE_S)
        parts.child.wait_for(lambda: parts.child.messages >= wanted, "every commit")


def _say(sender: Peer, name: str, place: int, number: int) -> MQTTMessageInfo:
    sample = {
        "time": (NOW_MS - 86_400_000 + number * EVERY_MS) / 1000.0,
        "seq": number,
        "fluid_temp_c": 80.0 + place % 20,
        "ambient_temp_c": 20.0,
        "speed_km_h": 60.0 + place % 7,
        "engine_rpm": 1500.0,
        "engine_load_pct": 50.0,
        "gear": 5,
    }
    return sender.post(f"fleet/{name}/telemetry", json.dumps(sample).encode())
