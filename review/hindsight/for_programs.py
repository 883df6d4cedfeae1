"""A look back for a program: plain values, times RFC 3339, every number's name with its unit."""

from __future__ import annotations

from typing import Any

import msgspec

from alerts.episode import Episode
from alerts.ledger import Alarm
from models.units import rfc3339
from review.hindsight.found import Compared, Found
from review.hindsight.hints import Told


def plain(found: Compared) -> dict[str, Any]:
    """Write it."""
    asked = found.asked
    return {
        "since": rfc3339(asked.since_ms),
        "until": rfc3339(asked.until_ms),
        "truck": asked.truck,
        "other": msgspec.to_builtins(asked.other),
        "samples": found.samples,
        "weeks": found.weeks,
        "alarms_per_truck_week": {
            "as_is": found.per_week(found.as_is),
            "other": found.per_week(found.other),
        },
        "trucks": [msgspec.to_builtins(each) for each in found.counts],
        "left_out": [{"truck": name, "why": why} for name, why in found.left_out],
        "matters": [_matter(each) for each in found.found],
    }


def _matter(each: Found) -> dict[str, Any]:
    earlier_ms = each.matter.earlier_ms
    return {
        "truck": each.truck,
        "kind": each.matter.kind,
        "found_by": each.side.value,
        "earlier_s": None if earlier_ms is None else earlier_ms / 1000.0,
        "hottest_temp_c": each.hottest_c,
        "verdict": each.verdict.value,
        "hints": [_hint(told) for told in each.told],
        "as_raised": each.as_raised,
        "as_is": [_episode(one) for one in each.matter.as_is],
        "other": [_episode(one) for one in each.matter.other],
        "raised": [_alarm(one) for one in each.matter.raised],
    }


def _hint(told: Told) -> dict[str, Any]:
    return {"hint": told.hint.value, "at": _at(told.time_ms), "about": told.about}


def _episode(one: Episode) -> dict[str, Any]:
    return {
        "onset": _at(one.onset_ms),
        "raised": _at(one.raised_ms),
        "cleared": _at(one.cleared_ms),
        "peak": _at(one.peak_ms),
        "priority": one.priority.name.lower(),
        "probability": one.probability,
        "evidence": msgspec.json.decode(msgspec.json.encode(dict(one.evidence))),
    }


def _alarm(one: Alarm) -> dict[str, Any]:
    return {
        "id": one.id,
        "onset": _at(one.onset_ms),
        "raised": _at(one.raised_ms),
        "cleared": _at(one.cleared_ms),
        "withdrawn": one.withdrawn,
    }


def _at(time_ms: int | None) -> str | None:
    return None if time_ms is None else rfc3339(time_ms)
