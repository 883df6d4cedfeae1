"""A batch of messages and what its commit comes to."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace

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
    """Running totals since the start; received = stored + repeated + refused, in samples.

    ``received`` is counted where messages are decoded, the others where samples end up. What is refused
    whole counts as one sample. ``reasons``: the refused by reason.
    """

    messages: int = 0
    received: int = 0
    stored: int = 0
    repeated: int = 0
    late: int = 0
    reasons: Counter[str] = field(default_factory=Counter)
    commits: int = 0

    @property
    def refused(self) -> int:
        """All that was refused."""
        return self.reasons.total()

    def copy(self) -> Counts:
        """Give totals that can be counted on while these stand."""
        return replace(self, reasons=self.reasons.copy())

    def take(self, one: Decoded) -> None:
        """Count a message as it was decoded."""
        self.messages += 1
        self.received += len(one.samples) + len(one.refused)
        for refused in one.refused:
            self.reasons[refused.reason] += 1

    def give_up(self) -> None:
        """Count a message that we failed on."""
        self.messages += 1
        self.received += 1
        self.reasons["not_processed"] += 1
