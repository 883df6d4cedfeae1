"""A batch of messages and what its commit comes to."""

from __future__ import annotations

from dataclasses import dataclass

from alerts.policy import Policy
from ingest.decoded import Decoded, WireRules
from ingest.message import Message


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """What the pipeline goes by."""

    wire: WireRules
    quarantine_rows: int
    quarantine_bytes: int
    refuse_unregistered: bool
    policy: Policy
    model_version: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Position:
    """How far a truck's data are durably committed: newest sample time, highest gap-free counter."""

    vehicle: str
    time_ms: int
    seq: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One message and what it decoded to."""

    message: Message
    decoded: Decoded

    @property
    def live(self) -> bool:
        """Whether it shows that the truck's gateway sends: fresh samples, not a kept message."""
        return not self.message.retain and len(self.decoded.samples) > 0


@dataclass(slots=True, kw_only=True)
class Counts:
    """Running totals since the start; received = stored + repeated + refused, in samples."""

    messages: int = 0
    stored: int = 0
    repeated: int = 0
    late: int = 0
    refused: int = 0
    commits: int = 0
