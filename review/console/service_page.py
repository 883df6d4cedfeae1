"""``/trucks/{truck}/service``: what can be recorded, the record, and what came of an entry."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from starlette.responses import Response
from starlette.routing import BaseRoute

from ingest import record
from ingest.record import STRUCK, Entry
from models.cautions import WORK_IN_SHORT
from review.console.done import done_words
from review.console.house import House
from review.console.service_view import KINDS, changes, record_lines, summary
from review.console.visit import Visit, route
from review.entry_rules import UnknownTruck
from review.service_draft import may_enter, may_mend, mendable
from review.service_fields import FIELDS
from review.service_outlook import outlook


def routes(house: House) -> Sequence[BaseRoute]:
    """Give the routes."""
    here = "/trucks/{truck}/service"
    return (
        route(house, here, _choose),
        route(house, here + "/entered/{number:int}", _entered),
    )


def no_such_truck(visit: Visit, truck: str) -> Response:
    """Say that nobody knows a truck."""
    return visit.problem(
        404, "No such truck", f"No truck is named {truck!r}. Today lists all there are."
    )


def _choose(visit: Visit) -> Response:
    house, truck = visit.house, visit.request.path_params["truck"]
    try:
        with house.store.read() as conn:
            stored = house.reader.truck(conn, truck)
            entries = record.history(conn, truck)
    except UnknownTruck:
        return no_such_truck(visit, truck)
    may = _mendable(visit, entries)
    return visit.page(
        "service.html",
        title=f"Record a service, {truck}",
        truck=truck,
        vehicle=stored.vehicle,
        kinds={kind: words for kind, words in KINDS.items() if may_enter(visit.visitor, kind)},
        lines=record_lines(entries, may, visit.visitor.units),
        waiting=stored.waiting,
        caution_line=WORK_IN_SHORT,
        done=done_words(visit),
    )


def _mendable(visit: Visit, entries: list[Entry]) -> set[int | None]:
    now_ms = visit.house.now_ms()
    return {
        each.id
        for each in mendable(entries)
        if each.kind in FIELDS and may_mend(visit.visitor, each, now_ms)
    }


def _entered(visit: Visit) -> Response:
    house, truck = visit.house, visit.request.path_params["truck"]
    number = visit.request.path_params["number"]
    try:
        with house.store.read() as conn:
            stored = house.reader.truck(conn, truck)
            entries = record.history(conn, truck)
            entry = next((each for each in entries if each.id == number), None)
            counts = entry is not None and any(each.id == number for each in mendable(entries))
            found = outlook(conn, house.reader, truck, without=number) if counts else None
    except UnknownTruck:
        return no_such_truck(visit, truck)
    if entry is None or entry.kind == STRUCK or found is None:
        said = f"The record of {truck} has no entry {number} that counts."
        return visit.problem(404, "No such entry counts", said)
    # What it is without the entry is what it was before.
    turned = replace(found, before=found.after, after=found.before)
    return visit.page(
        "service_entered.html",
        title=f"{KINDS[entry.kind][0] if entry.kind in KINDS else entry.kind}, {truck}",
        truck=truck,
        entry=entry,
        said=summary(entry, stored.vehicle, visit.visitor.units),
        waiting=stored.waiting,
        standing=stored.standing,
        changes=changes(turned, visit.visitor.units),
        may_mend=entry.id in _mendable(visit, entries),
    )
