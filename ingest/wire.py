"""The door: any topic and any bytes become good samples, reasons for refusal, or both."""

from __future__ import annotations

import hashlib
import re

from ingest.decoded import Decoded, Decoder, Refused, Status, WireRules
from ingest.decoders import DECODERS
from ingest.decoders.shown import shown

__all__ = [
    "DECODERS",
    "Decoded",
    "Decoder",
    "Refused",
    "Status",
    "WireRules",
    "decode",
    "truck_of",
]

vehicle_name = re.compile(r"(?!\.{1,2}\Z)[A-Za-z0-9._-]{1,64}\Z")
"""Neither "." nor "..": in an address or a path these lead elsewhere (RFC 3986 section 5.2.4)."""


def decode(topic: str, payload: bytes, *, now_ms: int, rules: WireRules) -> Decoded:
    """Decode one message received at ``now_ms``; never raise, whatever topic and bytes are."""
    levels = topic.removeprefix(rules.root + "/").split("/")
    if len(levels) != 2 or levels[1] not in DECODERS or not topic.startswith(rules.root + "/"):
        return _refuse(
            None, "wrong_topic", "topic", _right_topics(topic, rules), payload, rules
        )
    vehicle, suffix = levels
    if vehicle_name.match(vehicle) is None:
        detail = (
            f"the topic names the truck {shown(vehicle)}; a name is 1 to 64 of the letters a-z "
            f"and A-Z, digits, '.', '_' and '-', not '.' or '..' alone; rename it in the gateway"
        )
        return _refuse(None, "bad_vehicle_name", "topic", detail, payload, rules)
    if len(payload) > rules.max_payload_bytes:
        return _refuse(
            vehicle, "too_large", "payload", _too_large(payload, rules), payload, rules
        )
    return DECODERS[suffix](vehicle, payload, now_ms=now_ms, rules=rules)


def truck_of(topic: str) -> str | None:
    """Give the truck that a topic names where trucks publish, whatever comes before; None: it names none."""
    *_, name, suffix = ("", *topic.split("/"))
    return name if suffix in DECODERS and vehicle_name.match(name) else None


def _refuse(
    vehicle: str | None, reason: str, field: str, detail: str, payload: bytes, rules: WireRules
) -> Decoded:
    raw = payload[: rules.max_payload_bytes]
    refused = Refused(reason=reason, field=field, detail=detail, raw=raw)
    return Decoded(vehicle=vehicle, kind="refused", refused=(refused,))


def _right_topics(topic: str, rules: WireRules) -> str:
    known = " or ".join(f"{rules.root}/VEHICLE/{suffix}" for suffix in DECODERS)
    return f"the topic is {shown(topic)}; publish to {known}, or narrow the daemon's filters"


def _too_large(payload: bytes, rules: WireRules) -> str:
    digest = hashlib.sha256(payload).hexdigest()
    return (
        f"the payload has {len(payload)} bytes (SHA-256 {digest}), the limit is "
        f"{rules.max_payload_bytes}; send the backlog in smaller arrays. Only the first "
        f"{rules.max_payload_bytes} bytes are kept"
    )
