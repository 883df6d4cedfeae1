"""What a decoder is given and what it gives back, whatever the form of the payload."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from models.sample import SAMPLE

Kind = Literal["telemetry", "status", "refused"]

#: Every reason a message or a sample is refused for, with what it means.
REASONS: Mapping[str, str] = {
    "wrong_topic": "the topic is none that trucks publish to",
    "bad_vehicle_name": "the topic names a truck in characters that are not allowed",
    "too_large": "the payload is larger than the limit",
    "too_many_samples": "the payload holds more samples than the limit",
    "not_utf8": "the text is not UTF-8",
    "not_json": "the text is not JSON",
    "not_finite": "a value is NaN or infinite",
    "too_deep": "the JSON is nested too deeply",
    "wrong_shape": "a sample is not a JSON object",
    "empty": "there is nothing in the payload",
    "missing": "a field that must be there is not",
    "wrong_type": "a value is of the wrong type",
    "out_of_range": "a value is outside the physical range",
    "bad_time": "the time is not in a known form",
    "naive_time": "the time has no offset from UTC",
    "time_unit": "the time looks like milliseconds, microseconds or nanoseconds",
    "future": "the time lies in the future",
    "before_earliest": "the time lies before the earliest time accepted",
    "no_signal": "no signal stands beside the time",
    "vehicle_mismatch": "the sample names another truck than the topic",
    "more_bad_samples": "too many bad samples in one payload to list each",
    "unregistered": "the truck is not in the fleet file",
    "conflict": "two values for one signal at one time",
    "not_processed": "the daemon failed on this message: a fault of ours, kept for mending",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class WireRules:
    """The limits of what is accepted; times in Unix ms."""

    root: str = "fleet"
    max_payload_bytes: int = 262_144
    max_samples: int = 10_000
    future_ms: int = 300_000
    earliest_ms: int = 1_420_070_400_000  # 2015-01-01T00:00:00Z


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """A sample, or a whole payload, that goes to quarantine.

    ``reason`` is a key of `REASONS`; ``field`` names the field, or "payload" or "topic";
    ``detail`` says what is wrong, where, and how to mend it. ``raw`` holds the sample's own
    bytes, or the whole payload where samples cannot be told apart (of an oversize one only the
    first bytes, as many as the size limit). ``position`` counts an array's samples from 0.
    """

    reason: str
    field: str
    detail: str
    raw: bytes
    position: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Status:
    """Whether a gateway says it is connected, and since when [Unix ms]."""

    online: bool
    time_ms: int


NO_SAMPLES: NDArray[np.void] = np.empty(0, SAMPLE)
NO_SEQS: NDArray[np.int64] = np.empty(0, np.int64)
NO_SAMPLES.flags.writeable = False
NO_SEQS.flags.writeable = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Decoded:
    """One message, decoded: good samples in payload order, bad ones with their reasons.

    ``samples`` has the dtype `models.sample.SAMPLE` (NaN where a signal is absent); ``seqs``
    runs beside it, -1 where absent. ``kind`` is "refused" where nothing good was found.
    ``unknown_fields`` counts ignored fields by name; the number of names is bounded and all
    others count as "(other)".
    """

    vehicle: str | None
    kind: Kind
    samples: NDArray[np.void] = field(default_factory=lambda: NO_SAMPLES)
    seqs: NDArray[np.int64] = field(default_factory=lambda: NO_SEQS)
    refused: tuple[Refused, ...] = ()
    unknown_fields: Mapping[str, int] = field(default_factory=dict)
    status: Status | None = None


class Decoder(Protocol):
    """Turn the payload of one kind of topic into samples; never raise on any bytes."""

    def __call__(
        self, vehicle: str, payload: bytes, *, now_ms: int, rules: WireRules
    ) -> Decoded:
        """Decode ``payload``, published for ``vehicle`` and received at ``now_ms``."""
