"""``/trucks/{truck}/service/entry/{number}``: correcting an entry, and striking one out."""

from __future__ import annotations

from collections.abc import Sequence

from starlette.responses import Response
from starlette.routing import BaseRoute

from ingest import record
from ingest.record import STRUCK, Entry
from review.access.audit import Deed
from review.access.visitor import Role
from review.console.done import with_done
from review.console.house import House
from review.console.service_entry import posted
from review.console.service_page import no_such_truck
from review.console.service_sheet import Asked, fresh_key, shown
from review.console.visit import Visit, route
from review.entry_rules import CannotEnter, UnknownTruck
from review.record_book import Book, strike
from review.service_draft import may_mend
from review.service_fields import FIELDS
from review.service_form import Sheet, sheet_of
from review.web.answers import COMMENT_LENGTH, line


def routes(house: House) -> Sequence[BaseRoute]:
    """Give the routes."""
    here, worker = "/trucks/{truck}/service/entry/{number:int}", Role.TECHNICIAN
    return (
        route(house, here, _look, least=worker),
        route(house, here, _correct, least=worker, methods=("POST",)),
        route(house, here + "/strike", _strike, least=worker, methods=("POST",)),
    )


def _look(visit: Visit) -> Response:
    asked = _asked(visit)
    if isinstance(asked, Response):
        return asked
    texts = sheet_of(asked.corrected, visit.visitor.units) if asked.corrected else {}
    return shown(visit, asked, Sheet(texts=texts))


def _correct(visit: Visit) -> Response:
    asked = _asked(visit)
    return asked if isinstance(asked, Response) else posted(visit, asked)


def _asked(visit: Visit) -> Asked | Response:
    """Say what is corrected, or why nothing is."""
    found = _found(visit)
    if isinstance(found, Response):
        return found
    truck = found.vehicle
    try:
        with visit.house.store.read() as conn:
            vehicle = visit.house.reader.truck(conn, truck).vehicle
    except UnknownTruck:
        return no_such_truck(visit, truck)
    return Asked(
        truck=truck,
        vehicle=vehicle,
        kind=found.kind,
        address=f"/trucks/{truck}/service/entry/{found.id}",
        key=fresh_key(visit, truck),
        corrected=found,
    )


def _found(visit: Visit) -> Entry | Response:
    """Give the entry that is meant, or say why this visitor cannot mend it."""
    house, params = visit.house, visit.request.path_params
    truck, number = params["truck"], params["number"]
    with house.store.read() as conn:
        entries = record.history(conn, truck)
    entry = next((each for each in entries if each.id == number), None)
    if entry is None or entry.kind not in FIELDS:
        return visit.problem(
            404,
            "No such entry",
            f"The record of {truck} has no entry {number} that can be mended here.",
        )
    if not may_mend(visit.visitor, entry, house.now_ms()):
        return visit.problem(
            403,
            "Not for you to do",
            "You may mend what you entered yourself within a day; all else a manager may. Ask one.",
        )
    return entry


def _strike(visit: Visit) -> Response:
    house, found = visit.house, _found(visit)
    if isinstance(found, Response):
        return found
    note = line(visit.form.get("note", ""), COMMENT_LENGTH)
    if not note:
        return visit.problem(
            422,
            "Say why",
            "Nothing was struck out. Go back and say why the entry is wrong: others read it in the record.",
        )
    number, back = found.id or 0, f"/trucks/{found.vehicle}/service"
    who, now_ms = visit.visitor.name, house.now_ms()
    with house.store.read() as conn:
        newer = record.chain(conn, number)[-1]
    if newer.kind == STRUCK and newer.who == who:  # the same form, sent twice
        return visit.go(with_done(back, "struck"))
    try:
        with house.store.write() as tx:
            book = Book(tx=tx, fleet=house.reader.fleet, who=who, now_ms=now_ms)
            strike(book, number, note=note)
            visit.audit(
                tx, Deed.SERVICE_STRUCK, f"{found.vehicle} {found.kind}, entry {number}"
            )
    except CannotEnter as error:
        return visit.problem(
            409, "It counts no longer", f"{str(error)[:1].upper()}{str(error)[1:]}."
        )
    house.board.look()
    return visit.go(with_done(back, "struck"))
