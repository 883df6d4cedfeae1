"""A message as it came from the broker, and the receipt by which it is acknowledged."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Receipt:
    """What an acknowledgement needs; worthless on any other connection than its own."""

    mid: int
    qos: int
    connection: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """One message: a retained one is the last known value, never a new sample."""

    topic: str
    payload: bytes
    retain: bool = False
    receipt: Receipt | None = None
