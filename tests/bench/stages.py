"""How fast each stage is by itself, without a broker."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from deploy.database import Database
from deploy.settings import Settings
from ingest.decoded import WireRules
from ingest.message import Message
from ingest.wire import decode
from models.fleet import Fleet
from models.kernel import STATE, advance
from models.layout import blank
from models.parameters import parameters
from tests.bench.drain import bare_pipeline
from tests.bench.traffic import traffic
from tests.bench.whole import Load

BATCH = 500
NOW_MS = 1_800_000_000_000


def stages(folder: Path, load: Load, *, rounds: int) -> dict[str, float]:
    """Give the median rate of each stage [messages/s]."""
    messages = [
        Message(topic=topic, payload=payload)
        for topic, payload in traffic(load.messages, samples=load.samples, trucks=load.trucks)
    ]
    return {
        "decode": _median(rounds, load, lambda _: _decode(messages)),
        "models": _median(rounds, load, lambda _: _models(messages)),
        "commit in memory": _median(
            rounds, load, lambda n: _commit(folder / f"off-{n}.db", messages, "off")
        ),
        "commit durably": _median(
            rounds, load, lambda n: _commit(folder / f"full-{n}.db", messages, "full")
        ),
    }


def _median(rounds: int, load: Load, run: Callable[[int], float]) -> float:
    return statistics.median(load.messages / run(number) for number in range(rounds))


def _decode(messages: list[Message]) -> float:
    rules = WireRules()
    began = time.perf_counter()
    for message in messages:
        decode(message.topic, message.payload, now_ms=NOW_MS, rules=rules)
    return time.perf_counter() - began


def _models(messages: list[Message]) -> float:
    fleet = Fleet()
    vehicle = fleet.vehicle("BENCH")
    params = parameters(vehicle, fleet.fluid_of(vehicle), max_gap_s=300.0, silent_after_s=900.0)
    rules = WireRules()
    decoded = [
        decode(message.topic, message.payload, now_ms=NOW_MS, rules=rules)
        for message in messages
    ]
    states = {one.vehicle: blank(STATE) for one in decoded}
    samples = [(states[one.vehicle], np.asarray(one.samples)) for one in decoded]
    began = time.perf_counter()
    for state, some in samples:
        advance(params, state, 0, some)
    return time.perf_counter() - began


def _commit(path: Path, messages: list[Message], synchronous: str) -> float:
    database = Database(path, synchronous=synchronous)
    pipeline = bare_pipeline(Settings(), database)
    began = time.perf_counter()
    for start in range(0, len(messages), BATCH):
        pipeline.commit(messages[start : start + BATCH])
    took_s = time.perf_counter() - began
    database.close()
    return took_s
