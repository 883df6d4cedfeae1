"""How the single figures are counted from the steps of alarms. Pure.

Steps come in the order in which they were taken.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from alerts.alarm import Event, State
from alerts.figure_rows import Happening
from models.transition import Priority

STANDS = frozenset({State.UNACKNOWLEDGED, State.ACKNOWLEDGED})
"""States in which an alarm is on the list because its condition holds."""

_AWAITS = frozenset({State.UNACKNOWLEDGED, State.RETURNED, State.LATCHED})


@dataclass(frozen=True, slots=True, kw_only=True)
class Frequent:
    """One kind of alarm of one truck, and how often it came."""

    vehicle: str
    kind: str
    count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """How a time is spread [ms]: its median, and what 95 in 100 do not exceed; ``None`` where none."""

    count: int
    median_ms: float | None = None
    p95_ms: float | None = None


def announces(step: Happening) -> bool:
    """Tell whether an alarm comes to stand unacknowledged by a step."""
    return step.after is State.UNACKNOWLEDGED and step.before is not State.UNACKNOWLEDGED


def frequent(announced: Iterable[Happening]) -> tuple[Frequent, ...]:
    """Count the alarms by truck and kind, the most frequent first."""
    counted = Counter((step.vehicle, step.kind) for step in announced)
    return tuple(
        Frequent(vehicle=vehicle, kind=kind, count=count)
        for (vehicle, kind), count in sorted(counted.items(), key=lambda c: (-c[1], c[0]))
    )


def by_priority(announced: Iterable[Happening]) -> dict[str, int]:
    """Count the alarms by priority, least first, those that never came too."""
    counted = Counter(step.priority for step in announced)
    return {priority.name.lower(): counted[priority] for priority in Priority}


def chattering(
    announced: Iterable[Happening], *, count: int, within_ms: int, since_ms: int
) -> tuple[Frequent, ...]:
    """Give what came ``count`` times within ``within_ms`` [ms], and how often it did so in the span."""
    came: dict[tuple[str, str], list[int]] = defaultdict(list)
    for step in announced:
        came[step.vehicle, step.kind].append(step.time_ms)
    bursts = {
        about: sum(
            last_ms >= since_ms and last_ms - first_ms <= within_ms
            for first_ms, last_ms in zip(times_ms, times_ms[count - 1 :], strict=False)
        )
        for about, times_ms in came.items()
    }
    return tuple(
        Frequent(vehicle=vehicle, kind=kind, count=found)
        for (vehicle, kind), found in sorted(bursts.items(), key=lambda b: (-b[1], b[0]))
        if found
    )


def standing(steps: Iterable[Happening]) -> Iterator[tuple[int, int | None, str]]:
    """Give each time an alarm stood: from, to [ms] (``None``: it still does), and what ended it."""
    begun: dict[str, int] = {}
    for step in steps:
        stood, stands = step.alarm_id in begun, step.after in STANDS
        if stands and not stood:
            begun[step.alarm_id] = step.time_ms
        elif stood and not stands:
            yield begun.pop(step.alarm_id), step.time_ms, step.event
    for from_ms in begun.values():
        yield from_ms, None, ""


def fleeting(steps: Iterable[Happening], below_ms: int, since_ms: int) -> int:
    """Count the alarms that were over sooner than ``below_ms``, in the span."""
    return sum(
        event == Event.CLEAR and to_ms >= since_ms and to_ms - from_ms < below_ms
        for from_ms, to_ms, event in standing(steps)
        if to_ms is not None
    )


def stale(steps: Iterable[Happening], after_ms: int, until_ms: int) -> list[tuple[int, int]]:
    """Give when alarms stood for longer than ``after_ms``: from that moment on, to their end [ms]."""
    spans = (
        (from_ms + after_ms, until_ms if to_ms is None else to_ms)
        for from_ms, to_ms, _ in standing(steps)
    )
    return [(from_ms, to_ms) for from_ms, to_ms in spans if to_ms > from_ms]


def most_at_once(spans: Iterable[tuple[int, int]], since_ms: int) -> int:
    """Give how many of the spans that reach into ours lie over each other at most."""
    ours = [(max(from_ms, since_ms), to_ms) for from_ms, to_ms in spans if to_ms > since_ms]
    changes = sorted([(to, -1) for _, to in ours] + [(start, 1) for start, _ in ours])
    most = now = 0
    for _, change in changes:
        now += change
        most = max(most, now)
    return most


def acknowledged(steps: Iterable[Happening], since_ms: int) -> dict[str, Spread]:
    """Give the time from the announcement to the acknowledgement, by priority and for all; those in the span.

    Of a rise the time runs anew: the acknowledgement before covered the lesser matter.
    """
    announced: dict[str, int] = {}
    took: dict[str, list[int]] = {name: [] for name in ("all", *map(_name, Priority))}
    for step in steps:
        if announces(step):
            announced[step.alarm_id] = step.time_ms
        elif step.event == Event.ACKNOWLEDGE and step.alarm_id in announced:
            delay_ms = step.time_ms - announced.pop(step.alarm_id)
            if step.time_ms >= since_ms:
                took["all"].append(delay_ms)
                took[_name(step.priority)].append(delay_ms)
    return {name: spread(times) for name, times in took.items()}


def unacknowledged(steps: Iterable[Happening]) -> int:
    """Count the alarms that wait for somebody to acknowledge them, after the last step."""
    last = {step.alarm_id: step.after for step in steps}
    return sum(state in _AWAITS for state in last.values())


def spread(times_ms: Sequence[int]) -> Spread:
    """Give median and 95th percentile, by nearest rank: a time that occurred."""
    if not times_ms:
        return Spread(count=0)
    ordered = sorted(times_ms)
    return Spread(
        count=len(ordered),
        median_ms=median(ordered),
        p95_ms=ordered[math.ceil(0.95 * len(ordered)) - 1],
    )


def share(part: int, whole: int) -> float | None:
    """Give a share [0..1], ``None`` of nothing."""
    return part / whole if whole else None


def states(found: Iterable[State]) -> Mapping[str, int]:
    """Count the three states that hold an alarm back."""
    counted = Counter(found)
    held = (State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE)
    return {state.value: counted[state] for state in held}


def _name(priority: Priority) -> str:
    return priority.name.lower()
