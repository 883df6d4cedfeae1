"""The review of a truck after a failure: what came first, what caused it, what is not known."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query
from starlette.responses import Response

from models.hypotheses import NAMES
from review.api.answering import answered
from review.api.asking import Ask, Reads
from review.api.instant import unix_ms
from review.api.operation import reads
from review.api.parameters import TruckName, Until
from review.api.review_shapes import (
    Departure,
    Excursion,
    Happened,
    HotTime,
    Review,
    WeighedCause,
)
from review.api.shape import known, moment, moment_or_none
from review.api.truck_written import account_shape
from review.dossier import facts
from review.dossier.gather import dossier_of
from review.dossier.pen import Pen
from review.dossier.span import USUAL_DAYS
from review.dossier.timeline import timeline
from review.dossier.unknown_words import LIMITS_OF_IT, method, not_known
from review.dossier.verdict import verdict

router = APIRouter(tags=["review"])


@reads(router, "/trucks/{truck}/review", Review, problems=(404, 409))
def get_review(
    ask: Reads,
    truck: TruckName,
    until: Until = None,
    days: Annotated[
        int, Query(ge=1, le=60, description="Days before its end that are followed closely.")
    ] = USUAL_DAYS,
) -> Response:
    """Review a truck up to a date: the answer, what came first, causes with their odds, what is not known.

    Left out, it ends after the newest sample. The console makes a page, a paper and a data package of the
    same facts.
    """
    with ask.turns.one(), ask.house.store.read() as conn:
        found = dossier_of(
            conn,
            ask.house.reader,
            truck,
            until_ms=None if until is None else unix_ms(until),
            days=days,
        )
    return answered(ask.request, _shape(ask, found))


def _shape(ask: Ask, found: facts.Dossier) -> Review:
    pen, teller = Pen(ask.visitor.units), ask.house.teller(ask.visitor.units)
    said = verdict(found, pen)
    told = timeline(found, pen, lambda alarm: teller.say(alarm).title)
    return Review(
        truck=found.vehicle,
        title=found.title,
        from_at=moment(found.span.first_ms),
        until_at=moment(found.span.until_ms),
        fill_from_at=moment(found.span.fill_ms),
        replaced_at=moment_or_none(found.span.replaced_ms),
        headline=said.headline,
        answer=[said.first, said.then],
        remarks=list(said.remarks),
        timeline=[Happened(at=moment(e.time_ms), kind=e.kind, text=e.text) for e in told],
        departure=None if found.departure is None else _departure(found.departure),
        causes=[_cause(each) for each in found.causes],
        excursions=[_excursion(each) for each in found.excursions],
        levels=[
            HotTime(
                name=e.name, above_temp_c=e.celsius, held_h=e.hours, aged_share=known(e.aged)
            )
            for e in found.levels
        ],
        account=account_shape(found.account),
        not_known=list(not_known(found, pen)),
        method=list(method(found, pen)),
        limits_of_it=LIMITS_OF_IT,
        samples_count=found.samples,
    )


def _departure(found: facts.Departure) -> Departure:
    return Departure(
        alarm=found.alarm,
        trusted_at=moment_or_none(found.trusted_ms),
        left_at=moment(found.left_ms),
        doubted_at=moment(found.doubted_ms),
        told_at=moment(found.told_ms),
        proven_at=moment_or_none(found.proven_ms),
        ended_at=moment_or_none(found.ended_ms),
        peak_probability=known(found.peak),
        cause=NAMES[found.cause] if found.cause >= 0 else None,
    )


def _cause(found: facts.Cause) -> WeighedCause:
    return WeighedCause(
        name=NAMES[found.place],
        first_probability=known(found.first),
        last_probability=known(found.last),
        highest_probability=known(found.highest),
        likeliest_h=found.likeliest_h,
    )


def _excursion(found: facts.Excursion) -> Excursion:
    return Excursion(
        from_at=moment(found.start_ms),
        until_at=moment(found.end_ms),
        peak_at=moment(found.peak_ms),
        peak_temp_c=found.peak_c,
        above_limit_s=found.above_s,
        life_used_share=known(found.life),
        this_fill=found.this_fill,
        healthy_peak_temp_c=known(found.healthy_peak_c),
        fault_probability=known(found.p_fault),
        ambient_temp_c=known(found.air_c),
        heat_made_kw=known(found.heat_kw),
    )
