"""A notice as an event for a program: CloudEvents 1.0.2 in its JSON format.

One event for one alarm, with its facts as they are; ``id`` is the notice's, the same on every try, and
unique together with ``source``.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from math import isfinite

from alerts.notice import Item, Notice
from models.units import rfc3339

CONTENT_TYPE = "application/cloudevents+json"
"""Structured mode of the HTTP binding (CloudEvents 1.0.2, HTTP protocol binding section 3.2)."""


def encode(notice: Notice, *, source: str) -> bytes:
    """Write the event of a notice: the same bytes on every try."""
    first = notice.items[0] if notice.items else None
    event: dict[str, object] = {
        "specversion": "1.0",
        "id": notice.id,
        "source": source,
        "type": _type(notice),
        "time": rfc3339(notice.created_ms if first is None else first.time_ms),
        "datacontenttype": "application/json",
        "data": {
            **_alarms(notice.items),
            "subject": notice.subject,
            "short": notice.short,
            "text": notice.body,
        },
    }
    vehicles = {item.vehicle for item in notice.items}
    if len(vehicles) == 1:
        (event["subject"],) = vehicles
    return json.dumps(event, sort_keys=True, separators=(",", ":")).encode()


def _type(notice: Notice) -> str:
    """Name what happened; the names are part of the contract with receivers."""
    if len(notice.items) == 1:
        return f"heatbook.alarm.{notice.items[0].matter.value}"
    return "heatbook.alarms" if notice.items else "heatbook.report"


def _alarms(items: Sequence[Item]) -> dict[str, object]:
    """Give one alarm's facts as they are, those of several as a list."""
    if len(items) == 1:
        return _alarm(items[0])
    return {"alarms": [_alarm(item) for item in items]} if items else {}


def _alarm(item: Item) -> dict[str, object]:
    numbers = {
        name: value if isfinite(value) else None for name, value in item.evidence.items()
    }
    return {
        "alarm_id": item.alarm_id,
        "vehicle": item.vehicle,
        "alarm": item.kind,
        "matter": item.matter.value,
        "priority": item.priority.name.lower(),
        "probability": item.probability,
        "onset": rfc3339(item.onset_ms),
        "time": rfc3339(item.time_ms),
        "evidence": numbers,
    }
