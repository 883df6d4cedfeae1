"""A review for programs: plain tables of numbers, times in Unix ms and RFC 3339, not a number as null."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass
from enum import Enum
from typing import Any

import numpy as np

from alerts.teller import Teller
from ingest.entry import Entry
from models.heat_sums import KINETIC_ENERGY_OVER_R_K
from models.histogram import FIRST_C, WIDTH_K
from models.hypotheses import NAMES
from models.units import GAS_CONSTANT, ZERO_CELSIUS_K, rfc3339
from review.dossier.cause_words import clue_words
from review.dossier.facts import AlarmStory, Dossier
from review.dossier.pen import Pen
from review.dossier.timeline import timeline
from review.dossier.unknown_words import LIMITS_OF_IT, method, not_known
from review.dossier.verdict import verdict


def review_of(found: Dossier, pen: Pen, teller: Teller) -> dict[str, Any]:
    """Write a review: answer and timeline in words, all else in numbers."""
    said = verdict(found, pen)
    return {
        "vehicle": found.vehicle,
        "title": found.title,
        "until": rfc3339(found.span.until_ms),
        "headline": said.headline,
        "answer": [said.first, said.then],
        "remarks": list(said.remarks),
        "timeline": [
            {"time": rfc3339(each.time_ms), "kind": each.kind, "text": each.text}
            for each in timeline(found, pen, lambda alarm: teller.say(alarm).title)
        ],
        "span": plain(found.span),
        "limits": plain(found.limits),
        "account": plain(found.account),
        "departure": _departure(found),
        "causes": [
            {**plain(each), "name": NAMES[each.place], "place": each.place}
            for each in found.causes
        ],
        "clues": [
            {
                "text": clue_words(each, pen),
                "numbers": plain(each.numbers),
                "speaks_for": [NAMES[place] for place in each.speaks_for],
                "speaks_against": [NAMES[place] for place in each.speaks_against],
            }
            for each in found.clues
        ],
        "excursions": [plain(each) for each in found.excursions],
        "levels": [plain(each) for each in found.levels],
        "duty": {**plain(found.duty), "share": _number(found.duty.share)},
        "unknown": plain(found.unknown),
        "not_known": list(not_known(found, pen)),
        "method": list(method(found, pen)),
        "limits_of_it": LIMITS_OF_IT,
        "what_if": plain(found.what_if) if found.what_if else None,
        "samples": found.samples,
    }


def alarms_of(found: Dossier, teller: Teller) -> list[dict[str, Any]]:
    """Write the alarms with all that happened to them, and who was told."""
    return [_alarm(each, teller) for each in found.alarms]


def record_of(found: Dossier) -> list[dict[str, Any]]:
    """Write the service record: superseded and struck entries too."""
    return [_entry(each, counts=each.id in found.counting) for each in found.record]


def account_of(found: Dossier) -> dict[str, Any]:
    """Write what it takes to compute the account again, and what it came to."""
    basis, account = found.basis, found.account
    return {
        "vehicle": found.vehicle,
        "until_ms": found.span.until_ms,
        "fill_started_ms": found.span.fill_ms,
        "max_gap_s": basis.max_gap_s,
        "law": law_points(found),
        "reference_temp_c": float(basis.ageing["reference_c"][0]),
        "reference_life_s": basis.fluid.reference_life_s,
        "oxidation_factor": basis.fluid.oxidation_factor,
        "kinetic_k": KINETIC_ENERGY_OVER_R_K,
        "scale": basis.scale,
        "carried": basis.carried,
        "soaked_s": basis.soaked_s,
        "unseen_s": basis.unseen_s,
        "thinnings": [plain(each) for each in found.thinnings],
        "result": {
            "measured_s": basis.measured_s,
            "life_used": account.life_used,
            "life_low": account.life_low,
            "life_high": account.life_high,
            "mean_kinetic_temp_c": _number(account.mean_kinetic_temp_c),
        },
    }


def law_points(found: Dossier) -> list[list[float]]:
    """Give the law of ageing as points of 1/T [1/K] and ln of the rate [-]: straight between and beyond."""
    law = found.basis.ageing[0]
    count = int(law["chart_points"])
    if count:
        rows = zip(law["chart_inverse_k"][:count], law["chart_ln_rate"][:count], strict=True)
        return sorted([float(inverse), float(ln)] for inverse, ln in rows)
    reference = 1.0 / (float(law["reference_c"]) + ZERO_CELSIUS_K)
    from_k = 1.0 / 400.0
    energy_k = float(law["activation_energy_j_mol"]) / GAS_CONSTANT
    return [[from_k, energy_k * (reference - from_k)], [reference, 0.0]]


def bins_of(found: Dossier) -> list[dict[str, float]]:
    """Write time at temperature: what is measured, and what is estimated of the time parked."""
    return [
        {
            "from_c": FIRST_C + WIDTH_K * row,
            "to_c": FIRST_C + WIDTH_K * (row + 1),
            "measured_s": seconds,
            "parked_s": parked,
        }
        for row, (seconds, parked) in enumerate(
            zip(found.account.bins, found.account.soak_bins, strict=True)
        )
        if seconds > 0.0 or parked > 0.0
    ]


def plain(value: Any) -> Any:
    """Write a value of ours as what JSON has: a dataclass by its fields, not a number as None."""
    if is_dataclass(value) and not isinstance(value, type):
        return {each.name: plain(getattr(value, each.name)) for each in fields(value)}
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, Mapping):
        return {str(name): plain(each) for name, each in value.items()}
    if isinstance(value, float | np.floating):
        return _number(float(value))
    if isinstance(value, str | bytes) or not isinstance(value, Sequence):
        return value
    return [plain(each) for each in value]


def as_json(value: Any) -> bytes:
    """Write JSON that is the same for the same values."""
    text = json.dumps(value, indent=1, sort_keys=True, ensure_ascii=False, allow_nan=False)
    return (text + "\n").encode()


def _departure(found: Dossier) -> dict[str, Any] | None:
    left = found.departure
    if left is None:
        return None
    named = dict(zip(NAMES, left.at_last, strict=True))
    return {
        **plain(left),
        "cause": NAMES[left.cause] if left.cause >= 0 else left.alarm,
        "last_cause": NAMES[left.last_cause] if left.last_cause >= 0 else left.alarm,
        "left": rfc3339(left.left_ms),
        "at_last": {name: _number(value) for name, value in named.items()},
    }


def _alarm(story: AlarmStory, teller: Teller) -> dict[str, Any]:
    alarm = story.alarm
    return {
        "id": alarm.id,
        "kind": alarm.kind,
        "title": teller.say(alarm).title,
        "priority": alarm.priority.name.lower(),
        "onset": rfc3339(alarm.onset_ms),
        "raised": rfc3339(alarm.raised_ms),
        "known": rfc3339(alarm.first_seen_ms),
        "late": alarm.late,
        "withdrawn": alarm.withdrawn,
        "probability": alarm.probability,
        "evidence": plain(alarm.evidence),
        "happened": [
            {
                "time": rfc3339(each.time_ms),
                "event": each.event.value,
                "by": each.by,
                "comment": each.comment,
            }
            for each in story.happenings
        ],
        "told": [
            {
                "time": rfc3339(each.time_ms),
                "destination": each.destination,
                "outcome": each.outcome,
            }
            for each in story.tries
        ],
    }


def _entry(entry: Entry, *, counts: bool) -> dict[str, Any]:
    return {
        "id": entry.id,
        "kind": entry.kind,
        "time": rfc3339(entry.time_ms),
        "numbers": plain(dict(entry.numbers)),
        "words": dict(entry.words),
        "note": entry.note,
        "who": entry.who,
        "entered": rfc3339(entry.entered_ms),
        "supersedes": entry.supersedes,
        "counts": counts,
    }


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None
