"""The status of a gateway: retained, and also its last will."""

from __future__ import annotations

from typing import Any

import msgspec

from ingest.decoded import Decoded, Refused, Status, WireRules
from ingest.decoders.faults import fields_of
from ingest.decoders.instant import exact_ms
from ingest.decoders.shown import shown
from ingest.decoders.verdict import UNREADABLE, Fault


def decode_status(vehicle: str, payload: bytes, *, now_ms: int, rules: WireRules) -> Decoded:
    """Decode ``{"online": true|false, "time": …}``."""
    verdict = _judge(payload, now_ms=now_ms, rules=rules)
    if isinstance(verdict, Status):
        return Decoded(vehicle=vehicle, kind="status", status=verdict)
    refused = Refused(
        reason=verdict.reason, field=verdict.field, detail=verdict.detail, raw=payload
    )
    return Decoded(vehicle=vehicle, kind="refused", refused=(refused,))


def _judge(payload: bytes, *, now_ms: int, rules: WireRules) -> Status | Fault:
    if not payload.strip():
        # This is also how a retained status is cleared.
        return Fault("empty", "payload", "the payload is empty; send online and time")
    fields = fields_of(payload)
    if isinstance(fields, Fault):
        return fields
    online = _value(fields, "online")
    if not isinstance(online, bool):
        reason = "missing" if "online" not in fields else "wrong_type"
        detail = f"online is {shown(online)}; it must be true or false"
        return Fault(reason, "online", detail)
    if "time" not in fields:
        detail = "time is missing; send RFC 3339 text with an offset, or Unix seconds"
        return Fault("missing", "time", detail)
    text = bytes(fields["time"]).decode()
    time_ms = exact_ms(_value(fields, "time"), text, now_ms=now_ms, rules=rules)
    return time_ms if isinstance(time_ms, Fault) else Status(online=online, time_ms=time_ms)


def _value(fields: dict[str, msgspec.Raw], name: str) -> Any:
    try:
        return msgspec.json.decode(fields.get(name, b"null"))
    except UNREADABLE:
        return None
