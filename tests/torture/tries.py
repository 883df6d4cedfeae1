"""What a truck tries that wants to pass for another, or to hear what is not meant for it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

WHO, VICTIM = "NF-01", "NF-02"

OTHERS_TOPICS = (
    f"fleet/{VICTIM}/telemetry",
    f"fleet/{VICTIM}/status",
    f"fleet/{VICTIM}/received",
    f"fleet/{VICTIM}/advice/bypass_stuck",
    "fleet/NF-010/telemetry",  # its own name is how this one begins
    "fleet/NF-0/telemetry",
    "fleet/nf-01/telemetry",
    "fleet/heatbook/telemetry",
    "fleet/heatbook-check/received",
    "heatbook/heatbook/status",
    "heatbook/check/a1/round-trip",
    "fleet//telemetry",
    "/fleet/NF-02/telemetry",
    f"fleet/{WHO}/received",  # what the daemon alone says, even of itself
    f"fleet/{WHO}/advice/bypass_stuck",
    f"fleet/{WHO}/../{VICTIM}/telemetry",
    "fleet/%u/telemetry",
    "fleet/%c/telemetry",
    "Fleet/NF-01/telemetry",
)
"""Where it must not publish."""

OTHERS_FILTERS = (
    "#",
    "+/#",
    "fleet/#",
    "fleet/+/telemetry",
    "fleet/+/status",
    "fleet/+/received",
    f"fleet/{VICTIM}/#",
    f"fleet/{VICTIM}/received",
    f"+/{VICTIM}/+",
    "heatbook/#",
    "heatbook/+/status",
    "+/+/+",
    "$share/all/fleet/+/telemetry",
    "$share/all/#",
)
"""What it must hear nothing by but what is its own."""

OTHERS_IDS = (VICTIM, "heatbook", "heatbook-house", "observer")
"""Sessions that are not its own."""

OTHERS_NAMES = (VICTIM, "nf-01", "heatbook", "+", "NF-01 ", "NF-01/../NF-02")
"""Names that its own payload must not give."""

ODD_NAMES = ("+", "#", "NF-02/telemetry", "fleet/NF-02", "%u", "$SYS")
"""Common names that the authority would never write into a certificate."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Try:
    """One try to publish: now, or by a last will."""

    topic: str
    qos: int
    retain: bool
    protocol: str
    will: bool = False


def publishing() -> Sequence[Try]:
    """Give every topic in every form, and every topic as a last will."""
    direct = [
        Try(topic=topic, qos=qos, retain=retain, protocol=protocol)
        for topic, qos, retain, protocol in product(
            OTHERS_TOPICS, (0, 1, 2), (False, True), ("3.1.1", "5")
        )
    ]
    wills = [
        Try(topic=topic, qos=1, retain=retain, protocol=protocol, will=True)
        for topic, retain, protocol in product(
            OTHERS_TOPICS[:10], (False, True), ("3.1.1", "5")
        )
    ]
    return direct + wills


def sample(mark: int, now_ms: int, *, names: str | None = None) -> bytes:
    """Write a sample that would count if it came through; every mark has a time of its own."""
    said: dict[str, object] = {
        "time": now_ms // 1000 - mark,
        "fluid_temp_c": 140.0,
        "mark": mark,
    }
    if names is not None:
        said["vehicle"] = names
    return json.dumps(said).encode()


def mark_of(payload: bytes) -> int | None:
    """Read which try a payload comes from; none: from nobody's."""
    try:
        said = json.loads(payload)
    except ValueError:
        return None
    mark = said.get("mark") if isinstance(said, dict) else None
    return mark if isinstance(mark, int) else None
