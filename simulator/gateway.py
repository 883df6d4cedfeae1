"""A truck's gateway: it numbers samples, stores, sends, and waits until they are safe.

No network here: messages come out as values and acknowledgements go in as calls.
"""

from __future__ import annotations

import json
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from random import Random
from typing import Literal

from simulator.faults import Fault
from simulator.sensors import Value

WILL_DELAY_S = 90.0
"""How long a broker needs to miss a gateway [s]: one and a half keep-alives of 60 s."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outgoing:
    """One message to publish."""

    topic: str
    payload: bytes
    retain: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class GatewayPlan:
    """Habits of one gateway."""

    samples_per_message: int = 1
    duplicate_chance: float = 0.0
    clock_offset_s: float = 0.0
    clock_drift_ppm: float = 0.0
    time_form: Literal["rfc3339", "unix"] = "rfc3339"
    waits: bool = True
    always_on: bool = False
    linger_s: float = 60.0
    resend_after_s: float = 15.0
    most_samples: int = 400
    most_bytes: int = 120_000
    window: int = 4_000


class Backlog:
    """Samples in order of their number, kept until they are covered.

    A gateway that waits forgets a sample only when the far side says that all up to its number
    are safe; one that does not forgets it when it is handed to the network.
    """

    __slots__ = ("_entries", "_plan", "_progress_s", "_sent", "next_seq", "sent_seq")

    def __init__(self, plan: GatewayPlan, first_seq: int = 1) -> None:
        self._plan = plan
        self._entries: deque[tuple[int, int, bytes]] = deque()
        self._sent = 0
        self._progress_s = 0.0
        self.next_seq = first_seq
        self.sent_seq = first_seq - 1

    def __len__(self) -> int:
        return len(self._entries)

    @property
    def unsent(self) -> int:
        """How many samples wait to be sent."""
        return len(self._entries) - self._sent

    def append(self, sample: Mapping[str, object], time_ms: int = 0) -> int:
        """Store one sample of ``time_ms`` under the next number and return the number."""
        seq = self.next_seq
        self.next_seq = seq + 1
        raw = json.dumps({**sample, "seq": seq}, separators=(",", ":"), allow_nan=False)
        self._entries.append((seq, time_ms, raw.encode()))
        return seq

    def take(self, clock_s: float) -> bytes | None:
        """Return the next payload, or none; one sample is an object, more are an array."""
        if self._sent == 0:
            self._progress_s = clock_s
        room = min(self._plan.most_samples, self._plan.window - self._sent)
        chosen: list[bytes] = []
        size = 2
        for index in range(self._sent, min(self._sent + room, len(self._entries))):
            raw = self._entries[index][2]
            if chosen and size + len(raw) + 1 > self._plan.most_bytes:
                break
            chosen.append(raw)
            size += len(raw) + 1
        if not chosen:
            return None
        self._sent += len(chosen)
        self.sent_seq = max(self.sent_seq, self._entries[self._sent - 1][0])
        if not self._plan.waits:
            self._drop(self._sent)
        return chosen[0] if len(chosen) == 1 else b"[" + b",".join(chosen) + b"]"

    def covered(self, seq: int, clock_s: float, newest_ms: int | None = None) -> int:
        """Forget what the far side holds safely, up to ``seq``; return how many that was.

        A number never sent belongs to an earlier life of this gateway and is ignored; so is one
        for a sample later than ``newest_ms``, the newest that the far side says it has.
        """
        if seq > self.sent_seq:
            return 0
        kept = deque(
            entry
            for entry in self._entries
            if entry[0] > seq or (newest_ms is not None and entry[1] > newest_ms)
        )
        count = len(self._entries) - len(kept)
        if count:
            self._entries = kept
            self._sent = max(self._sent - count, 0)
            self._progress_s = clock_s
        return count

    def rewind(self) -> None:
        """Send again from the oldest kept: after a reconnect nothing in flight is trusted."""
        self._sent = 0

    def expire(self, clock_s: float) -> bool:
        """Rewind when sent samples wait too long to be covered; say whether it happened."""
        if self._sent and clock_s - self._progress_s > self._plan.resend_after_s:
            self.rewind()
            self._progress_s = clock_s
            return True
        return False

    def _drop(self, count: int) -> None:
        for _ in range(count):
            self._entries.popleft()
        self._sent = max(self._sent - count, 0)


class Gateway:
    """One gateway: its clock, its backlog, and whether it is up, off, or silent."""

    __slots__ = (
        "_connected_ms",
        "_plan",
        "_rng",
        "_silences",
        "_start_ms",
        "_up",
        "_will_ms",
        "backlog",
        "vehicle",
    )

    def __init__(
        self,
        vehicle: str,
        plan: GatewayPlan,
        *,
        faults: Sequence[Fault],
        start_ms: int,
        rng: Random,
    ) -> None:
        self.vehicle = vehicle
        self.backlog = Backlog(plan)
        self._plan = plan
        self._rng = rng
        self._start_ms = start_ms
        self._silences = tuple(fault for fault in faults if fault.kind == "gateway_silent")
        self._up = False
        self._connected_ms = start_ms
        self._will_ms: int | None = None

    @property
    def up(self) -> bool:
        """Whether the gateway has a connection."""
        return self._up

    def record(self, signals: Mapping[str, Value], time_ms: int) -> None:
        """Store one sample, stamped by the gateway's own clock."""
        plan = self._plan
        drift_ms = (time_ms - self._start_ms) * plan.clock_drift_ppm * 1e-6
        stamp = round(time_ms + 1000.0 * plan.clock_offset_s + drift_ms)
        self.backlog.append({"time": self._form(stamp), **signals}, stamp)

    def messages(
        self, now_ms: int, *, clock_s: float, powered: bool, most: int = 3
    ) -> list[Outgoing]:
        """Return what is sent at ``now_ms``; ``clock_s`` is the time resends go by."""
        elapsed_s = (now_ms - self._start_ms) / 1000.0
        silent = any(fault.strength(elapsed_s) > 0.0 for fault in self._silences)
        if silent:
            return self._fall_silent(now_ms)
        if not powered:
            return self.switch_off(now_ms, clock_s)
        sent: list[Outgoing] = []
        if not self._up:
            sent.append(self._connect(now_ms))
        self.backlog.expire(clock_s)
        sent.extend(self._telemetry(clock_s, most, least=self._plan.samples_per_message))
        return sent

    def received(self, seq: int, clock_s: float, newest_ms: int | None = None) -> None:
        """Take the word that all up to ``seq`` is safe; who is silent hears nothing."""
        if self._up:
            self.backlog.covered(seq, clock_s, newest_ms)

    def reconnected(self) -> list[Outgoing]:
        """After a real loss of the network: the status again, and all in flight once more."""
        self.backlog.rewind()
        return [self._status(online=True, time_ms=self._connected_ms)] if self._up else []

    def will(self, now_ms: int) -> Outgoing:
        """Return the last will of a connection made now."""
        return self._status(online=False, time_ms=now_ms)

    def _connect(self, now_ms: int) -> Outgoing:
        self._up = True
        self._will_ms = None
        self._connected_ms = now_ms
        self.backlog.rewind()
        return self._status(online=True, time_ms=now_ms)

    def switch_off(self, now_ms: int, clock_s: float) -> list[Outgoing]:
        """Send what is left, then say good-bye: a clean end leaves no will."""
        if not self._up:
            return []
        sent = self._telemetry(clock_s, most=1_000, least=1)
        self._up = False
        return [*sent, self._status(online=False, time_ms=now_ms)]

    def _fall_silent(self, now_ms: int) -> list[Outgoing]:
        """Send nothing; in time the broker publishes the will, stamped when it was lodged."""
        if self._up:
            self._up = False
            self._will_ms = now_ms + round(1000.0 * WILL_DELAY_S)
        if self._will_ms is not None and now_ms >= self._will_ms:
            self._will_ms = None
            return [self.will(self._connected_ms)]
        return []

    def _telemetry(self, clock_s: float, most: int, *, least: int) -> list[Outgoing]:
        sent: list[Outgoing] = []
        while len(sent) < most and self.backlog.unsent >= least:
            payload = self.backlog.take(clock_s)
            if payload is None:
                break
            message = Outgoing(topic=f"fleet/{self.vehicle}/telemetry", payload=payload)
            sent.append(message)
            if self._rng.random() < self._plan.duplicate_chance:
                sent.append(message)
        return sent

    def _status(self, *, online: bool, time_ms: int) -> Outgoing:
        payload = json.dumps(
            {"online": online, "time": self._form(time_ms)}, separators=(",", ":")
        )
        return Outgoing(
            topic=f"fleet/{self.vehicle}/status", payload=payload.encode(), retain=True
        )

    def _form(self, time_ms: int) -> str | float | int:
        if self._plan.time_form == "unix":
            return time_ms // 1000 if time_ms % 1000 == 0 else time_ms / 1000.0
        return rfc3339(time_ms)


def rfc3339(time_ms: int) -> str:
    """Write a time as RFC 3339 in UTC with milliseconds."""
    whole, milliseconds = divmod(time_ms, 1000)
    stamp = datetime.fromtimestamp(whole, UTC)
    return f"{stamp:%Y-%m-%dT%H:%M:%S}.{milliseconds:03d}Z"
