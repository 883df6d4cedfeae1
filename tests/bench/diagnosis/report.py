"""All scores of one run, and as plain data."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass, replace
from typing import Any

from simulator.sensors import Position
from tests.bench.diagnosis.calibration import Calibration, of_alarms, of_states
from tests.bench.diagnosis.draw import KINDS
from tests.bench.diagnosis.duties import DAY_S
from tests.bench.diagnosis.judge import NOT_FAULTS
from tests.bench.diagnosis.measure import DETECTORS, JUDGES
from tests.bench.diagnosis.outcome import Outcome
from tests.bench.diagnosis.score import (
    FalseAlarms,
    Row,
    Share,
    confusion,
    false_alarms,
)
from tests.bench.diagnosis.targets import Target, score_kind, targets

STUCK_WHOLE = "bypass stuck, no signal missing"
SLIP_TOLD, SLIP_UNTOLD = "lockup slip, slip told", "lockup slip, not told"
STUCK_BY_POSITION: tuple[tuple[str, Position], ...] = (
    ("bypass stuck, read in the sump", "sump"),
    ("bypass stuck, read beyond the converter", "converter_out"),
    ("bypass stuck, read in the cooler's line", "cooler_line"),
)
NEW_DAYS = 7
"""Days in which a truck's own values are being learned [-]; own choice."""

SENSOR_LABELS = frozenset(kind.label for kind in KINDS if kind.of_sensor)


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """What one run came to. ``confusion`` has a row "" for healthy trucks."""

    truck_days: int
    running_h: float
    healthy: int
    faulty: int
    targets: tuple[Target, ...]
    rows: Mapping[str, tuple[Row, ...]]
    confusion: Mapping[str, Counter[str]]
    false_alarms: Mapping[str, FalseAlarms]
    too_hot: FalseAlarms
    of_new: FalseAlarms
    of_known: FalseAlarms
    stated: Calibration
    by_alarm: Mapping[str, Calibration]


def report(outcomes: Sequence[Outcome]) -> Report:
    """Score every judge."""
    shares = {judge: false_alarms(outcomes, judge, ignored=NOT_FAULTS) for judge in JUDGES}
    every = false_alarms(outcomes, DETECTORS)
    hot = every.by_kind["over_temperature"]
    raised = {one.kind for outcome in outcomes for one in outcome.alarms[DETECTORS]}
    return Report(
        truck_days=sum(one.days for one in outcomes),
        running_h=sum(one.running_s(0.0, math.inf) for one in outcomes) / 3600.0,
        healthy=sum(not one.label for one in outcomes),
        faulty=sum(bool(one.label) for one in outcomes),
        targets=targets(outcomes, DETECTORS, NOT_FAULTS, shares[DETECTORS]),
        rows={judge: _rows(outcomes, judge) for judge in JUDGES},
        confusion=confusion(outcomes, DETECTORS, NOT_FAULTS),
        false_alarms=shares,
        of_new=_detectors_false(outcomes, until_s=NEW_DAYS * DAY_S),
        of_known=_detectors_false(outcomes, since_s=NEW_DAYS * DAY_S),
        too_hot=replace(every, count=hot, by_kind=Counter(over_temperature=hot)),
        stated=of_states(outcomes, SENSOR_LABELS),
        by_alarm={
            kind: of_alarms(outcomes, DETECTORS, kind, _true_labels(kind))
            for kind in sorted(raised - NOT_FAULTS)
        },
    )


def _detectors_false(outcomes: Sequence[Outcome], **between: float) -> FalseAlarms:
    return false_alarms(outcomes, DETECTORS, ignored=NOT_FAULTS, **between)


def _true_labels(alarm: str) -> frozenset[str]:
    return frozenset(
        kind.label for kind in KINDS if alarm in kind.named or alarm in kind.less_exact
    )


def _rows(outcomes: Sequence[Outcome], judge: str) -> tuple[Row, ...]:
    rows = [score_kind(outcomes, judge, kind.label, NOT_FAULTS) for kind in KINDS]
    if judge == DETECTORS:
        parts = [
            (name, "bypass stuck", [one for one in outcomes if one.position == position])
            for name, position in STUCK_BY_POSITION
        ]
        parts += [
            (STUCK_WHOLE, "bypass stuck", [one for one in outcomes if one.whole]),
            (SLIP_TOLD, "lockup slip", [one for one in outcomes if one.slip_told]),
            (SLIP_UNTOLD, "lockup slip", [one for one in outcomes if not one.slip_told]),
        ]
        for name, label, some in parts:
            rows.append(replace(score_kind(some, judge, label, NOT_FAULTS), label=name))
    return tuple(rows)


def trucks(outcomes: Sequence[Outcome]) -> list[dict[str, Any]]:
    """Give what came of each truck, to look at single ones."""
    return [
        {
            "number": one.number,
            "fault": one.label,
            "gradual": one.gradual,
            "whole": one.whole,
            "slip_told": one.slip_told,
            "since_s": one.since_s,
            "shows_s": one.shows_s,
            "plain_s": one.plain_s,
            "alarms": [plain(alarm) for alarm in one.alarms[DETECTORS]],
        }
        for one in outcomes
    ]


def plain(value: Any) -> Any:
    """Turn scores into what JSON can carry; what is not a number becomes null."""
    if is_dataclass(value):
        told = {one.name: getattr(value, one.name) for one in fields(value)}
        return plain({**told, **_derived(value)})
    if isinstance(value, Mapping):
        return {name or "healthy": plain(one) for name, one in value.items()}
    if isinstance(value, list | tuple):
        return [plain(one) for one in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def _derived(value: Any) -> Mapping[str, float]:
    if isinstance(value, Share):
        low, high = value.interval
        return {"share": value.share, "low_95": low, "high_95": high}
    if isinstance(value, FalseAlarms):
        return {
            "per_year": value.per_year,
            "per_year_most_95": value.per_year_most,
            "per_hour": value.per_hour,
        }
    return {}
