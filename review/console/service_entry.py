"""``/trucks/{truck}/service/{kind}``: one new entry, shown before it is entered."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from starlette.responses import Response
from starlette.routing import BaseRoute

from ingest import record
from ingest.entry import complete, same_content
from ingest.record import Entry
from review.access.audit import Deed
from review.access.visitor import Role
from review.console.house import House
from review.console.service_page import no_such_truck
from review.console.service_sheet import Asked, checked, fresh_key, key_of, shown
from review.console.service_view import KINDS, READY
from review.console.visit import Visit, route
from review.entry_rules import CannotEnter, UnknownTruck
from review.record_book import Book
from review.service_draft import Draft, enter, may_enter
from review.service_form import Sheet, blank_sheet, read_sheet


def routes(house: House) -> Sequence[BaseRoute]:
    """Give the routes."""
    here = "/trucks/{truck}/service/{kind}"
    worker = Role.TECHNICIAN
    return (
        route(house, here, _look, least=worker),
        route(house, here, _post, least=worker, methods=("POST",)),
    )


def _look(visit: Visit) -> Response:
    asked = _asked(visit)
    if isinstance(asked, Response):
        return asked
    now_ms, units = visit.house.now_ms(), visit.visitor.units
    texts = blank_sheet(now_ms, units)
    if asked.kind not in READY:
        return shown(visit, asked, Sheet(texts=texts))
    return shown(visit, asked, checked(visit, _read(visit, asked, texts)))


def _post(visit: Visit) -> Response:
    asked = _asked(visit)
    return asked if isinstance(asked, Response) else posted(visit, asked)


def posted(visit: Visit, asked: Asked) -> Response:
    """Answer a form: show what it would do, or enter it where that is what was shown."""
    sheet = _read(visit, asked, visit.form)
    as_shown = sheet.draft is not None and visit.form.get("checked") == sheet.draft.digest
    wanted = visit.form.get("act") == "enter"
    if wanted and as_shown and (before := _entered_before(visit)) is not None:
        return _go_on(visit, before)
    sheet = checked(visit, sheet)
    if sheet.draft is None:
        return shown(visit, asked, sheet, status=422)
    if not wanted or not as_shown:
        return shown(visit, asked, sheet, changed=wanted)
    if (same := _the_very_same(visit, sheet.draft)) is not None:
        return _go_on(visit, same)
    return _enter(visit, asked, sheet, sheet.draft)


def _read(visit: Visit, asked: Asked, texts: Mapping[str, str]) -> Sheet:
    house = visit.house
    return read_sheet(
        texts,
        truck=asked.truck,
        kind=asked.kind,
        units=visit.visitor.units,
        now_ms=house.now_ms(),
        fluids=house.reader.fleet.fluids,
        corrected=asked.corrected,
    )


def _entered_before(visit: Visit) -> Entry | None:
    """Give what this very form entered when it was sent before: by a second tap, or a page loaded again."""
    with visit.house.store.read() as conn:
        return record.by_key(conn, key_of(visit))


def _the_very_same(visit: Visit, draft: Draft) -> Entry | None:
    """Give an entry that counts and says just this: the page was gone back to, and sent once more."""
    if draft.instead is not None:
        return None
    told = complete(draft.entry(visit.visitor.name, 0))
    with visit.house.store.read() as conn:
        found = record.effective(conn, draft.truck)
    return next(
        (
            each
            for each in found
            if same_content(replace(each, supersedes=None, key=None), told)
        ),
        None,
    )


def _enter(visit: Visit, asked: Asked, sheet: Sheet, draft: Draft) -> Response:
    house = visit.house
    now_ms, fleet = house.now_ms(), house.reader.fleet
    try:
        with house.store.write() as tx:
            book = Book(tx=tx, fleet=fleet, who=visit.visitor.name, now_ms=now_ms)
            entry = enter(book, draft, key=key_of(visit))
            deed = Deed.SERVICE_CORRECTED if draft.instead else Deed.SERVICE_RECORDED
            visit.audit(tx, deed, f"{entry.vehicle} {entry.kind}, entry {entry.id}")
    except CannotEnter as error:
        wrong = {"": f"{str(error)[:1].upper()}{str(error)[1:]}."}
        return shown(visit, asked, Sheet(texts=sheet.texts, slips=wrong), status=409)
    house.board.look()
    return _go_on(visit, entry)


def _go_on(visit: Visit, entry: Entry) -> Response:
    return visit.go(f"/trucks/{entry.vehicle}/service/entered/{entry.id}")


def _asked(visit: Visit) -> Asked | Response:
    """Say what the form is about, or why there is none."""
    house, params = visit.house, visit.request.path_params
    truck, kind = params["truck"], params["kind"]
    if kind not in KINDS:
        return visit.problem(404, "No such entry", f"Nothing is recorded as {kind!r}.")
    if not may_enter(visit.visitor, kind):
        return visit.problem(
            403,
            "Not for you to do",
            f"{KINDS[kind][0]}: a manager's to enter. Ask one of this fleet.",
        )
    try:
        with house.store.read() as conn:
            vehicle = house.reader.truck(conn, truck).vehicle
    except UnknownTruck:
        return no_such_truck(visit, truck)
    return Asked(
        truck=truck,
        vehicle=vehicle,
        kind=kind,
        address=f"/trucks/{truck}/service/{kind}",
        key=fresh_key(visit, truck),
    )
