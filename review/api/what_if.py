"""What another cooler, a full-flow block, a clean cooler or less load would have meant."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import Field
from starlette.responses import Response

from models.hypotheses import NAMES
from models.what_if import LEAST_FACTOR, MOST_FACTOR
from models.what_if_figures import Band, Change, Outcome
from review import what_if
from review.api.answering import answered
from review.api.asking import Reads
from review.api.instant import unix_ms
from review.api.operation import reads
from review.api.parameters import Since, TruckName, Until
from review.api.shape import Moment, OneOf, Shape, Truck, known, moment

router = APIRouter(tags=["what if"])

Factor = Annotated[float, Field(ge=LEAST_FACTOR, le=MOST_FACTOR, allow_inf_nan=False)]


class Estimate(Shape):
    """A best estimate with its 80 % band, in the unit that the field's name carries."""

    low: float | None
    """Lower end of 8 in 10."""
    best: float | None
    """Best estimate."""
    high: float | None
    """Upper end of 8 in 10."""


class WhatIfOutcome(Shape):
    """What the span came to, or would have come to."""

    cooler_factor: float
    """Size of the cooler's core, of that fitted [-]."""
    load_factor: float
    """Load of the engine, of what it was [-]."""
    full_flow: bool
    """With a block that has no bypass valve."""
    cleaned: bool
    """With the cooler as this truck's own was when healthy."""
    hottest_temp_c: Estimate
    """Hottest reading [°C]."""
    over_limit_h: Estimate
    """Time above the truck's own limit [h]."""
    cold_h: Estimate
    """Running below working temperature [h]."""
    equivalent_h: Estimate
    """Hours at the reference temperature that age the fluid as much [h]."""
    life_share: Estimate
    """Life that the span uses [-]."""
    of_as_was_share: Estimate
    """That, of what it used as it was [-]."""
    mean_kinetic_temp_c: Estimate
    """Mean kinetic temperature [°C]."""


class FaultTime(Shape):
    """A fault that was taken to hold."""

    name: Annotated[str, OneOf(NAMES)]
    """Its short name."""
    held_h: float
    """For how long [h]."""


class WhatIf(Shape):
    """The span as it was, then each change."""

    truck: Truck
    """The truck."""
    registered: bool
    """Whether fleet file or record know it; else its circuit is assumed."""
    since: Moment
    """First sample that counted."""
    until: Moment
    """Last sample that counted."""
    limit_temp_c: float
    """The truck's own limit [°C]."""
    seen_h: float
    """Running with readings of the fluid [h]."""
    unseen_h: float
    """Running without [h]."""
    parked_h: float
    """Parked [h]."""
    followed_h: float
    """What the model could follow [h]."""
    learned_share: float
    """How far this truck's own values are known [-]."""
    load_told: bool
    """Whether torque or load was sent; else the heat made is guessed."""
    faults: list[FaultTime]
    """What was taken to be broken meanwhile."""
    outcomes: list[WhatIfOutcome]
    """As it was, then each change."""


@reads(router, "/trucks/{truck}/what-if", WhatIf, problems=(404, 409))
def get_what_if(
    ask: Reads,
    truck: TruckName,
    since: Since = None,
    until: Until = None,
    cooler_factor: Annotated[
        Factor, Query(description="Size of its core, of that fitted.")
    ] = 1.0,
    load_factor: Annotated[Factor, Query(description="Load, of what it was.")] = 1.0,
    full_flow: Annotated[bool, Query(description="A block without the bypass valve.")] = False,
    cleaned: Annotated[bool, Query(description="The cooler as when healthy.")] = False,
) -> Response:
    """Say what a change would have meant for a truck; without any, the usual ones are answered.

    The truck's own thermal model is driven through its own recorded duty. Left out, the span is the four
    weeks up to the newest sample.
    """
    change = Change(
        cooler=cooler_factor, load=load_factor, full_flow=full_flow, cleaned=cleaned
    )
    with ask.turns.one(), ask.house.store.read() as conn:
        found = what_if.answer(
            conn,
            ask.house.reader,
            truck,
            since_ms=None if since is None else unix_ms(since),
            until_ms=None if until is None else unix_ms(until),
            changes=() if change == Change() else (change,),
        )
    return answered(ask.request, _shape(found))


def _shape(found: what_if.Answer) -> WhatIf:
    return WhatIf(
        truck=found.vehicle,
        registered=found.registered,
        since=moment(found.since_ms),
        until=moment(found.until_ms),
        limit_temp_c=found.limit_c,
        seen_h=found.found.seen_h,
        unseen_h=found.found.unseen_h,
        parked_h=found.found.parked_h,
        followed_h=found.found.followed_h,
        learned_share=found.learned,
        load_told=found.load_told,
        faults=[FaultTime(name=name, held_h=hours) for name, hours in found.failed_h.items()],
        outcomes=[_outcome(each) for each in found.found.outcomes],
    )


def _outcome(each: Outcome) -> WhatIfOutcome:
    return WhatIfOutcome(
        cooler_factor=each.change.cooler,
        load_factor=each.change.load,
        full_flow=each.change.full_flow,
        cleaned=each.change.cleaned,
        hottest_temp_c=_band(each.hottest_c),
        over_limit_h=_band(each.over_limit_h),
        cold_h=_band(each.cold_h),
        equivalent_h=_band(each.equivalent_h),
        life_share=_band(each.life),
        of_as_was_share=_band(each.of_as_was),
        mean_kinetic_temp_c=_band(each.kinetic_c),
    )


def _band(band: Band) -> Estimate:
    return Estimate(low=known(band.low), best=known(band.best), high=known(band.high))
