"""What the diagnosis is asked to reach, beside what it reached."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from tests.bench.diagnosis.draw import BY_LABEL, KINDS
from tests.bench.diagnosis.outcome import Outcome
from tests.bench.diagnosis.score import FalseAlarms, Row, Share, find, impossible, row

STUCK, SLIP = "bypass stuck", "lockup slip"


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """One figure: what is asked, what was measured, of how many; ``met`` None: nothing to judge by."""

    asked: str
    measured: str
    met: bool | None


def score_kind(
    outcomes: Sequence[Outcome], judge: str, label: str, ignored: frozenset[str]
) -> Row:
    """Score one judge on one kind of fault as its table says."""
    kind = BY_LABEL[label]
    return row(
        label,
        outcomes,
        judge,
        ignored=ignored,
        named=kind.named,
        less_exact=kind.less_exact,
    )


def targets(
    outcomes: Sequence[Outcome], judge: str, ignored: frozenset[str], false: FalseAlarms
) -> tuple[Target, ...]:
    """Compare; a stuck valve counts where it is plain and the truck towed since."""
    under_load = [
        one
        for one in outcomes
        if one.plain_s is not None and one.nth_drive(one.plain_s, math.inf, loaded=True)
    ]
    stuck = score_kind(under_load, judge, STUCK, ignored)
    told = [one for one in outcomes if one.slip_told]
    untold = [one for one in outcomes if not one.slip_told]
    minutes = stuck.delay_plain_s / 60.0
    years = f"{false.count} in {false.days / 365.0:.1f} truck-years"
    return (
        _share("bypass stuck, plain and under load: detected", 0.99, stuck.detected),
        Target(
            asked="the same: median delay after it is plain at most 3 min",
            measured=f"{minutes:.1f} min, of those detected",
            met=None if math.isnan(minutes) else minutes <= 3.0,
        ),
        _share("the same: before the fluid spent 5 min above 130 °C", 0.99, stuck.before_hot),
        _share(
            "stuck to cooler: within three drives",
            0.95,
            score_kind(outcomes, judge, "stuck to cooler", ignored).within_3_drives,
        ),
        _share(
            "cooler starved by half: within two loaded drives",
            0.90,
            score_kind(outcomes, judge, "starved by half", ignored).within_2_loaded,
        ),
        _share(
            "lockup slip, slip signal there: named",
            0.99,
            _named(told, judge, ignored, (SLIP,), of_detected=False),
        ),
        _share(
            "lockup slip, no slip signal: named, or among the rivals",
            0.70,
            _among_rivals(untold, judge, ignored),
        ),
        _share(
            "the right fault named first, of what was detected",
            0.90,
            _named(
                outcomes, judge, ignored, tuple(kind.label for kind in KINDS), of_detected=True
            ),
        ),
        Target(
            asked="at most 1 false alarm in 20 truck-years",
            measured=f"{years}; 95 % bound {20.0 * false.per_year_most:.1f} in 20",
            met=_few(20.0 * false.per_year, 20.0 * false.per_year_most),
        ),
        _none_impossible(outcomes, judge),
    )


def _none_impossible(outcomes: Sequence[Outcome], judge: str) -> Target:
    kinds = impossible(outcomes, judge)
    listed = "".join(f"; {kind} {count}" for kind, count in kinds.most_common())
    able = sum(bool(one.cannot) for one in outcomes)
    return Target(
        asked="no alarm of a part that the truck does not have",
        measured=f"{kinds.total()}, of {able} trucks without a valve{listed}",
        met=not kinds if able else None,
    )


def _among_rivals(outcomes: Sequence[Outcome], judge: str, ignored: frozenset[str]) -> Share:
    """Count slips of which any alarm since they began says slip, or that it may be."""
    shown = [one for one in outcomes if one.label == SLIP and one.shows_s is not None]
    hits = sum(
        any(
            alarm.names_slip and alarm.kind not in ignored and alarm.second >= one.since_s
            for alarm in one.alarms[judge]
        )
        for one in shown
        if one.since_s is not None
    )
    return Share(hits=hits, of=len(shown))


def _few(rate: float, bound: float) -> bool | None:
    """Say whether at most one is met; None where none were seen but the time is too short to know."""
    if bound <= 1.0:
        return True
    return None if rate <= 1.0 else False


def _named(
    outcomes: Sequence[Outcome],
    judge: str,
    ignored: frozenset[str],
    labels: tuple[str, ...],
    *,
    of_detected: bool,
) -> Share:
    all_found = [
        find(one, judge, ignored)
        for one in outcomes
        if one.label in labels and one.shows_s is not None
    ]
    hits = sum(
        one.alarm is not None and one.alarm.kind in BY_LABEL[one.outcome.label].named
        for one in all_found
    )
    detected = sum(one.alarm is not None for one in all_found)
    return Share(hits=hits, of=detected if of_detected else len(all_found))


def _share(asked: str, least: float, measured: Share) -> Target:
    low, high = measured.interval
    return Target(
        asked=f"{asked}, at least {least:.0%}",
        measured=(
            f"{measured.share:.1%} of {measured.of} ({low:.0%} to {high:.0%})"
            if measured.of
            else "none to judge by"
        ),
        met=measured.share >= least if measured.of else None,
    )
