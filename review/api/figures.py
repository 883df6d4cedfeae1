"""How well the alarms serve people: the figures of EEMUA 191 and ISA-18.2."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

from fastapi import APIRouter
from starlette.responses import Response

from alerts import figures as kept
from alerts.alarm import State
from alerts.figure_counts import Frequent, Spread
from alerts.figure_reader import figures_of
from review.api.answering import answered
from review.api.asking import Reads
from review.api.operation import reads
from review.api.parameters import Since, Until, span_ms
from review.api.shape import Moment, OneOf, Shape, known, moment
from review.api.truck_shapes import Kind, PriorityName

router = APIRouter(tags=["alarms"])

_WEEK_MS = 7 * 86_400_000


class Delay(Shape):
    """How a time is spread; null where there was none."""

    count: int
    """How many there were."""
    median_s: float | None
    """Its median [s]."""
    p95_s: float | None
    """What 95 in 100 do not exceed [s]."""


class Acknowledged(Shape):
    """How long it took until somebody acknowledged."""

    priority: Annotated[str, OneOf(("low", "medium", "high", "critical", "all"))]
    """Alarms of this priority."""
    delay: Delay
    """From the announcement on."""


class OftenAlarm(Shape):
    """One kind of alarm of one truck."""

    truck: str
    """The truck; `*`: all."""
    kind: Kind
    """What it is about."""
    count: int
    """How often it came."""


class OfPriority(Shape):
    """Alarms of one priority."""

    priority: PriorityName
    """The priority."""
    count: int
    """How many came."""


class HeldBack(Shape):
    """Holds of one state."""

    state: State
    """What they make of alarms."""
    begun_count: int
    """How many began in the span."""
    now_count: int
    """How many stand at its end."""


class Figures(Shape):
    """The figures of a span; an alarm is counted when it comes to stand unacknowledged."""

    since: Moment
    """Beginning of the span."""
    until: Moment
    """Its end, not in it."""
    alarms_count: int
    """Alarms that came."""
    alarms_per_h: float
    """Of one position, on average [1/h]."""
    peak_count: int
    """Most in any ten minutes."""
    floods_count: int
    """Floods: more than ten in ten minutes."""
    flood_s: float
    """Time in flood [s]."""
    flood_share: float
    """That as a share of the span [-]."""
    priorities: list[OfPriority]
    """By priority, the least first."""
    chattering: list[OftenAlarm]
    """What came and went too often."""
    fleeting_count: int
    """Over before anybody could act."""
    stale_now_count: int
    """Stand for more than a day at the end."""
    stale_most_count: int
    """Most of those at one time."""
    most: list[OftenAlarm]
    """The ten most frequent."""
    most_share: float | None
    """What they are of all [-]."""
    acknowledged: list[Acknowledged]
    """By priority, and for all."""
    unacknowledged_count: int
    """Waiting for somebody at the end."""
    told_share: float | None
    """Of the alarms first known in the span, the share of which somebody got a notice [-]."""
    held: list[HeldBack]
    """What was held back on purpose."""
    notices_count: int
    """Notices that arrived."""
    people_count: int
    """People they arrived at."""
    notices_per_person_day: float
    """Of one person per day, on average [1/d]."""
    notices_person_day_most_count: int
    """Of one person in any 24 hours at most."""
    notices_delay: Delay
    """From when they were wanted until they arrived."""


@reads(router, "/figures", Figures, problems=(409,))
def get_figures(ask: Reads, since: Since = None, until: Until = None) -> Response:
    """Count how well the alarms serve people over a span; left out: the last seven days."""
    since_ms, until_ms = span_ms(since, until, now_ms=ask.now_ms, usual_ms=_WEEK_MS)
    with ask.house.store.read() as conn:
        found = figures_of(conn, since_ms=since_ms, until_ms=until_ms)
    return answered(ask.request, _shape(found))


def _shape(found: kept.Figures) -> Figures:
    return Figures(
        since=moment(found.since_ms),
        until=moment(found.until_ms),
        alarms_count=found.load.alarms,
        alarms_per_h=found.load.per_hour,
        peak_count=found.load.peak,
        floods_count=found.load.floods,
        flood_s=found.load.flood_ms / 1000.0,
        flood_share=found.load.flood_share,
        priorities=[OfPriority(priority=n, count=c) for n, c in found.priorities.items()],
        chattering=_often(found.nuisance.chattering),
        fleeting_count=found.nuisance.fleeting,
        stale_now_count=found.nuisance.stale_now,
        stale_most_count=found.nuisance.stale_most,
        most=_often(found.nuisance.most),
        most_share=found.nuisance.most_share,
        acknowledged=[
            Acknowledged(priority=name, delay=_delay(spread))
            for name, spread in found.acknowledged.items()
        ],
        unacknowledged_count=found.unacknowledged_now,
        told_share=found.told_share,
        held=_held(found.held),
        notices_count=found.notices.arrived,
        people_count=found.notices.people,
        notices_per_person_day=found.notices.per_person_day,
        notices_person_day_most_count=found.notices.person_day_most,
        notices_delay=_delay(found.notices.delay),
    )


def _often(found: Sequence[Frequent]) -> list[OftenAlarm]:
    return [OftenAlarm(truck=e.vehicle, kind=e.kind, count=e.count) for e in found]


def _delay(spread: Spread) -> Delay:
    return Delay(
        count=spread.count,
        median_s=_seconds(spread.median_ms),
        p95_s=_seconds(spread.p95_ms),
    )


def _seconds(ms: float | None) -> float | None:
    return None if ms is None else known(ms / 1000.0)


def _held(held: kept.Held) -> list[HeldBack]:
    names = dict.fromkeys([*held.begun, *held.now])
    return [
        HeldBack(
            state=State(name),
            begun_count=held.begun.get(name, 0),
            now_count=held.now.get(name, 0),
        )
        for name in names
    ]
