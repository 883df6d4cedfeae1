"""Captures to replay, and the command in a process of its own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import deploy
from deploy.replay import Reader, ReplaySettings, replay
from deploy.replay_json import json_lines
from ingest.decoded import WireRules
from ingest.message import Message
from models.fleet import Fleet, Limits, Vehicle
from review.trucks import courses_of
from tests.recorded import HOUR_MS, NOON_MS, climb, message

ROOT = Path(deploy.__file__).parent.parent
FLEET_FILE = """
[vehicles.NF-01]
circuit = "thermostatic_bypass"
class = "medium"
installed_odometer_km = 49000.0
limits = { service_distance_km = 1100.0, over_temperature_c = 115.0 }
"""
FLEET = Fleet(
    vehicles={
        "NF-01": Vehicle(
            name="NF-01",
            title="NF-01",
            installed_odometer_km=49_000.0,
            limits=Limits(service_distance_km=1_100.0, over_temperature_c=115.0),
        )
    }
)
NOW_MS = NOON_MS + 86_400_000
DAY = climb(200, slope_k_min=0.6) + climb(90, start_ms=NOON_MS + 5 * HOUR_MS, start_c=80.0)


def lines(messages: Sequence[Message], *, as_text: bool = False) -> list[bytes]:
    """Write messages as lines of a capture."""
    return [
        json.dumps(
            {
                "topic": one.topic,
                "payload": one.payload.decode() if as_text else json.loads(one.payload),
            }
        ).encode()
        + b"\n"
        for one in messages
    ]


def fleet_messages() -> list[Message]:
    """Objects and arrays, two trucks by turns, a status, bad samples, a conflict."""
    found: list[Message] = []
    for position in range(0, len(DAY), 10):
        found.append(message("NF-01", DAY[position : position + 10]))
        found.append(message("NF-02", DAY[position : position + 1]))
    found[7:7] = [
        Message(topic="fleet/NF-02/status", payload=b'{"online":true,"time":1767268800}'),
        Message(topic="fleet/NF-02/telemetry", payload=b'{"time":1767268800,"gear":99}'),
        message("NF-01", [{**DAY[3], "fluid_temp_c": 60.0}]),
    ]
    return found


Run = Callable[..., subprocess.CompletedProcess[bytes]]


def run_in(home: Path) -> Run:
    """Give a function that runs the command line in a process of its own, in an empty folder."""
    home.mkdir()

    def run(*arguments: str) -> subprocess.CompletedProcess[bytes]:
        kept_env = ("PATH", "HOME", "XDG_CACHE_HOME", "CACHE_DIRECTORY", "LANG")
        env = {name: os.environ[name] for name in kept_env if name in os.environ}
        # As the launcher does it: else the compiler takes what it kept of earlier sources.
        code = "from review.model_version import keep_compiled; keep_compiled(); "
        code += "from deploy.cli import main; main()"
        return subprocess.run(  # noqa: S603 -- our own command
            [sys.executable, "-c", code, *arguments],
            cwd=home,
            env={**env, "PYTHONPATH": str(ROOT)},
            capture_output=True,
            check=False,
        )

    return run


def settings(now_ms: int = NOW_MS) -> ReplaySettings:
    return ReplaySettings(
        courses=courses_of(FLEET, max_gap_s=300.0, silent_after_s=900.0),
        wire=WireRules(),
        registered=frozenset(),
        refuse_unregistered=False,
        model_version="tests",
        silent_after_s=900.0,
        now_ms=lambda: now_ms,
    )


def replayed(path: Path) -> list[dict[str, Any]]:
    reader = Reader(path)
    try:
        return [json.loads(line) for line in json_lines(replay(reader, settings()))]
    finally:
        reader.close()
