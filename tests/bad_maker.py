"""Writes bad messages around a good sample of one truck at one moment."""

from __future__ import annotations

from typing import NamedTuple


class BadPayload(NamedTuple):
    """A message, and the first refusal it must meet."""

    topic: str
    payload: bytes
    reason: str
    field: str


class Maker:
    """A truck and a moment, for bad messages around a good sample."""

    def __init__(self, now_ms: int, vehicle: str) -> None:
        self.now_s = now_ms // 1000
        self.vehicle = vehicle
        self.topic = f"fleet/{vehicle}/telemetry"

    def bad(self, payload: str | bytes, reason: str, field: str = "payload") -> BadPayload:
        raw = payload.encode() if isinstance(payload, str) else payload
        return BadPayload(self.topic, raw, reason, field)

    def sample(self, *more: str, time: str | None = None, signal: str = '"gear":3') -> str:
        """A sample as text; ``more`` are members in JSON."""
        first = f'"time":{self.now_s if time is None else time}'
        return "{" + ",".join(filter(None, (first, signal, *more))) + "}"

    def field(self, name: str, value: str, reason: str) -> BadPayload:
        """A sample with one bad field beside a good one."""
        good = '"speed_km_h":50' if name != "speed_km_h" else '"gear":3'
        return self.bad(self.sample(f'"{name}":{value}', signal=good), reason, name)
