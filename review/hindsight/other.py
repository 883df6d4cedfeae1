"""What would be different: limits, settings, detectors that would be off."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields, replace

from models.fleet import Fleet, Limits
from review.kinds import WORDS
from review.problems import Mistake, nearest
from review.trucks import CourseOf, courses_of

RANGES = {
    "over_temperature_c": (30.0, 200.0),
    "over_temperature_critical_c": (30.0, 200.0),
    "service_distance_km": (1.0, 1e6),
    "service_days": (1.0, 36_500.0),
    "service_life_share": (0.01, 2.0),
    "false_alarms_per_h": (1e-8, 0.1),
    "max_gap_s": (1.0, 3600.0),
    "silent_after_s": (10.0, 604_800.0),
}
"""From where to where each may lie, as in the settings and the fleet file."""

LIMITS = tuple(each.name for each in fields(Limits))


@dataclass(frozen=True, slots=True, kw_only=True)
class Other:
    """What would be different; None: as it is now.

    Temperatures [°C] as the truck's own sensor shows them; ``service_distance_km`` [km], ``service_days``
    [d], ``service_life_share`` [-]; ``false_alarms_per_h`` of driving [1/h]; ``max_gap_s`` up to which a gap
    counts as seen, ``silent_after_s`` after which a moving truck is silent [s]. ``off``: kinds of alarms that
    nobody would be told of.
    """

    over_temperature_c: float | None = None
    over_temperature_critical_c: float | None = None
    service_distance_km: float | None = None
    service_days: float | None = None
    service_life_share: float | None = None
    false_alarms_per_h: float | None = None
    max_gap_s: float | None = None
    silent_after_s: float | None = None
    off: frozenset[str] = frozenset()

    @property
    def nothing(self) -> bool:
        """Say whether all is as it is."""
        return self == Other()

    def limits(self, own: Limits) -> Limits:
        """Give a truck's limits as they would be."""
        told = {name: getattr(self, name) for name in LIMITS}
        return replace(
            own, **{name: value for name, value in told.items() if value is not None}
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Present:
    """The settings as they are, which belong to no single truck."""

    max_gap_s: float
    silent_after_s: float
    false_alarms_per_h: float


def present_of(courses: CourseOf) -> Present:
    """Read the settings off what the courses of trucks are made with."""
    params = courses("", ()).params[0]
    return Present(
        max_gap_s=float(params["account"]["max_gap_s"]),
        silent_after_s=float(params["silence"]["silent_after_s"]),
        false_alarms_per_h=float(params["thermal"]["false_alarms_per_h"]),
    )


def courses_with(fleet: Fleet, present: Present, other: Other) -> CourseOf:
    """Give the courses of the trucks as they would be."""
    return courses_of(
        fleet,
        max_gap_s=_or(other.max_gap_s, present.max_gap_s),
        silent_after_s=_or(other.silent_after_s, present.silent_after_s),
        false_alarms_per_h=_or(other.false_alarms_per_h, present.false_alarms_per_h),
        limits=other.limits,
    )


def check(other: Other, present: Present) -> None:
    """Refuse what cannot be.

    Raises
    ------
    Mistake
        With all that is wrong, and how to mend it.
    """
    found = [*_ranges(other), *_kinds(other), *_between(other, present)]
    if found:
        raise Mistake("; ".join(found))


def _ranges(other: Other) -> Iterator[str]:
    for name, (low, high) in RANGES.items():
        value = getattr(other, name)
        if value is not None and not low <= value <= high:
            yield f"{name} is {value:g}; give a number from {low:g} to {high:g}"


def _kinds(other: Other) -> Iterator[str]:
    for kind in sorted(other.off - set(WORDS)):
        yield f"there is no alarm of the kind {kind!r}; {nearest(kind, WORDS, 'kind')}"


def _between(other: Other, present: Present) -> Iterator[str]:
    gap_s = _or(other.max_gap_s, present.max_gap_s)
    silent_s = _or(other.silent_after_s, present.silent_after_s)
    if silent_s < gap_s:
        yield (
            f"silent_after_s would be {silent_s:g} s, below max_gap_s, {gap_s:g} s; raise the one or lower "
            "the other"
        )
    limit_c, critical_c = other.over_temperature_c, other.over_temperature_critical_c
    if limit_c is not None and critical_c is not None and critical_c <= limit_c:
        yield (
            f"the critical temperature would be {critical_c:g} °C, not above the limit, {limit_c:g} °C; "
            "give a higher one, or leave it out"
        )


def _or(value: float | None, otherwise: float) -> float:
    return otherwise if value is None else value
