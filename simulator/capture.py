"""Captures: what a fleet would have sent, as JSON lines, with the truth beside."""

from __future__ import annotations

import gzip
import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from simulator.gateway import Outgoing, rfc3339
from simulator.plan import Fleet
from simulator.rig import Rig

TICK_MS = 5_000
"""How often gateways get to send [ms]: it sets how the trucks' messages interleave."""


class Out(Protocol):
    """Takes bytes."""

    def write(self, chunk: bytes, /) -> int:
        """Write bytes."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """What a capture holds."""

    messages: int
    samples: int


def fleet_messages(
    fleet: Fleet, *, start_ms: int, duration_s: float, seed: int
) -> Iterator[Outgoing]:
    """Yield what the fleet's gateways send, in the order it would arrive.

    Nobody answers here, so every sample is taken as safe once it is sent.
    """
    rigs = [Rig(plan, start_ms=start_ms, seed=seed) for plan in fleet.plans]
    end_ms = start_ms + round(1000.0 * duration_s)
    now_ms = start_ms
    while now_ms < end_ms:
        now_ms = min(now_ms + TICK_MS, end_ms)
        for rig in rigs:
            rig.advance(now_ms)
            yield from rig.messages(now_ms, now_ms / 1000.0)
            rig.gateway.received(rig.gateway.backlog.sent_seq, now_ms / 1000.0)


def line(message: Outgoing) -> bytes:
    """Write one message as a line of a capture."""
    return b'{"topic":"%s","payload":%s}\n' % (message.topic.encode(), message.payload)


def labels(fleet: Fleet, *, start_ms: int) -> Iterator[bytes]:
    """Yield the truth, one line a fault."""
    for plan in fleet.plans:
        for fault in plan.faults:
            until = None if fault.until_s is None else _moment(start_ms, fault.until_s)
            label = {
                "vehicle": plan.vehicle,
                "fault": fault.kind,
                "since": _moment(start_ms, fault.since_s),
                "until": until,
                "size": fault.full_size,
                "ramp_s": fault.ramp_s,
            }
            if fault.place == "sensor" and fault.kind != "ambient_missing":
                label["signal"] = fault.signal
            yield json.dumps(label).encode() + b"\n"


def write_capture(
    fleet: Fleet,
    path: Path,
    *,
    start_ms: int,
    duration_s: float,
    seed: int,
    labels_path: Path | None = None,
) -> Written:
    """Write a capture (compressed when the name ends in .gz) and, if asked, its labels.

    The bytes depend on the arguments alone.
    """
    count = 0
    samples = 0
    with open_capture(path) as out:
        for message in fleet_messages(
            fleet, start_ms=start_ms, duration_s=duration_s, seed=seed
        ):
            out.write(line(message))
            count += 1
            samples += message.payload.count(b'"seq":')
    if labels_path is not None:
        labels_path.write_bytes(b"".join(labels(fleet, start_ms=start_ms)))
    return Written(messages=count, samples=samples)


@contextmanager
def open_capture(path: Path) -> Iterator[Out]:
    """Open a capture for writing; the compressed form carries neither name nor time."""
    with path.open("wb") as raw:
        if path.suffix == ".gz":
            with gzip.GzipFile(filename="", mode="wb", fileobj=raw, mtime=0) as packed:
                yield packed
        else:
            yield raw


def _moment(start_ms: int, after_s: float) -> str:
    return rfc3339(start_ms + round(1000.0 * after_s))
