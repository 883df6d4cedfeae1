"""What a source says about itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Phase = Literal["stopped", "connecting", "connected", "refused", "taken_over"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceState:
    """A snapshot. Times are of the clock the source was given, monotonic.

    `phase` "refused": a person must mend something, `refused` says what; it goes on trying.
    "taken_over": another process uses our client id; it has stopped and does not come back.
    `session_present` tells whether the broker still knew us at the last connect,
    `sessions_lost` how often it did not though it should have: what it had queued is gone.
    `certificate_ends_ms` [Unix ms]: that of the broker, as shown at the last connect; None without TLS.
    """

    phase: Phase
    connected: bool = False
    session_present: bool = False
    generation: int = 0
    received: int = 0
    acked: int = 0
    stale_acks: int = 0
    waiting: int = 0
    unacked: int = 0
    unsent: int = 0
    unsent_dropped: int = 0
    publishes_refused: int = 0
    last_message_ms: int | None = None
    last_progress_ms: int | None = None
    sessions_lost: int = 0
    disconnects: int = 0
    takeovers: int = 0
    restarts: int = 0
    refused: str | None = None
    certificate_ends_ms: int | None = None


@dataclass(slots=True, kw_only=True)
class Tally:
    """The counters behind a snapshot; each is written by one thread only."""

    phase: Phase = "stopped"
    session_present: bool = False
    generation: int = 0
    received: int = 0
    acked: int = 0
    stale_acks: int = 0
    publishes_refused: int = 0
    last_message_ms: int | None = None
    last_progress_ms: int | None = None
    sessions_lost: int = 0
    disconnects: int = 0
    takeovers: int = 0
    restarts: int = 0
    refused: str | None = None
    certificate_ends_ms: int | None = None
    subscribed: bool = False
