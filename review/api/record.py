"""The service record: read it, enter what was done, correct an entry, strike it out."""

from __future__ import annotations

import hashlib
import sqlite3
from typing import Annotated, Any

from fastapi import APIRouter, Body
from starlette.responses import Response

from ingest import record as kept
from ingest.entry import complete, same_content
from ingest.record import Entry
from review.access.audit import Deed
from review.access.tokens import Scope
from review.api import record_shapes as shapes
from review.api.answering import answered, links, made, unchanged
from review.api.asking import Ask, Reads, Records
from review.api.cursor import Cursor, cursor_of
from review.api.instant import unix_ms
from review.api.operation import acts, reads
from review.api.parameters import After, IfMatch, Key, Limit, Number, TruckName
from review.api.places import ROOT
from review.api.record_shapes import AnyEntry, Correction, Entries, NewEntry, Strike
from review.api.refusing import Refused
from review.entry_rules import UnknownTruck, known_trucks
from review.record_book import Book, add_entry, correct, find, given, strike
from review.service_draft import may_enter, may_mend

router = APIRouter(tags=["service record"])


@reads(router, "/trucks/{truck}/record", Entries, listed=True, problems=(404,))
def list_record(
    ask: Reads, truck: TruckName, limit: Limit = 50, cursor: After = None
) -> Response:
    """List all that was ever entered of a truck, the last entered first.

    Nothing is edited in place: a correction is an entry that supersedes another. `counts` says which of them
    the account goes by now.
    """
    below = None if cursor is None else cursor_of(cursor).number
    with ask.house.store.read() as conn:
        _must_know(ask, conn, truck)
        entries = kept.history(conn, truck)
        found = _written(conn, truck, entries)
    found.reverse()
    rest = [each for each in found if below is None or each.id < below]
    next_ = Cursor(rest[limit - 1].id) if len(rest) > limit else None
    said = Entries(entries=rest[:limit], next=None if next_ is None else str(next_))
    return answered(ask.request, said, headers=links(ask.request, next_))


@reads(router, "/record/{entry_id}", AnyEntry, problems=(404,))
def get_entry(ask: Reads, entry_id: Number) -> Response:
    """Read one entry."""
    with ask.house.store.read() as conn:
        return answered(ask.request, _one(conn, entry_id))


@acts(
    router,
    "/trucks/{truck}/record",
    AnyEntry,
    Scope.RECORD,
    status=201,
    problems=(404, 409),
)
def record_service(
    ask: Records, truck: TruckName, said: Annotated[NewEntry, Body()], key: Key = None
) -> Response:
    """Enter what was done to a truck.

    `kind` says what; what else can be said depends on it. Of a truck that nobody knows yet, enter `register`
    first. What changes what a truck is (a fill of another fluid, a gearbox, a circuit, its registration) a
    manager enters, or a program. The account counts it within a second.
    """
    _must_enter(ask, said.kind)
    with ask.house.store.write() as tx:
        if said.kind != "register":
            _must_know(ask, tx, truck)
        book = _book(ask, tx)
        stored = None if key is None else _entered_before(book, truck, said, _key(ask, key))
        entry = stored or add_entry(
            book,
            truck,
            said.kind,
            unix_ms(said.done_at),
            numbers=given(shapes.numbers_of(said)),
            words=shapes.words_of(said),
            note=said.note,
            key=None if key is None else _key(ask, key),
        )
        if stored is None:
            ask.audit(tx, Deed.SERVICE_RECORDED, f"{truck} {entry.kind}, entry {entry.id}")
        return _made(tx, entry)


@acts(
    router,
    "/record/{entry_id}/correction",
    AnyEntry,
    Scope.RECORD,
    status=201,
    problems=(404, 409, 412),
)
def correct_entry(
    ask: Records,
    entry_id: Number,
    said: Annotated[Correction, Body()],
    if_match: IfMatch = None,
) -> Response:
    """Correct an entry: a new one takes its place, and the old one stays to be read.

    Send what differs; null takes a number out. A manager may correct any entry, others their own of the last
    day. Of several who correct one entry at the same time the first one does: what is superseded is refused,
    and `If-Match` with the entry's ETag says so before anything is looked at.
    """
    del if_match  # read where it is compared
    with ask.house.store.write() as tx:
        _must_mend(ask, tx, entry_id)
        sent = said.model_fields_set
        entry = correct(
            _book(ask, tx),
            entry_id,
            at_ms=unix_ms(said.done_at) if "done_at" in sent else None,
            numbers=shapes.numbers_of(said),
            words=shapes.words_of(said),
            note=said.note if "note" in sent else None,
        )
        ask.audit(
            tx, Deed.SERVICE_RECORDED, f"{entry.vehicle} entry {entry.id} corrects {entry_id}"
        )
        return _made(tx, entry)


@acts(
    router,
    "/record/{entry_id}/strike",
    AnyEntry,
    Scope.RECORD,
    status=201,
    problems=(404, 409, 412),
)
def strike_entry(
    ask: Records, entry_id: Number, said: Strike, if_match: IfMatch = None
) -> Response:
    """Strike an entry out: it counts no longer, and stays to be read.

    A manager may strike any entry out, others their own of the last day.
    """
    del if_match  # read where it is compared
    with ask.house.store.write() as tx:
        _must_mend(ask, tx, entry_id)
        entry = strike(_book(ask, tx), entry_id, note=said.note)
        ask.audit(tx, Deed.SERVICE_STRUCK, f"{entry.vehicle} entry {entry_id}: {said.note}")
        return _made(tx, entry)


def _book(ask: Ask, tx: sqlite3.Connection) -> Book:
    fleet = ask.house.reader.fleet
    return Book(tx=tx, fleet=fleet, who=ask.visitor.name, now_ms=ask.now_ms)


def _must_know(ask: Ask, conn: sqlite3.Connection, truck: str) -> None:
    known = known_trucks(conn, ask.house.reader.fleet)
    if truck not in known:
        raise UnknownTruck(truck, known)


def _must_enter(ask: Ask, kind: str) -> None:
    """Let a person do here what the console lets them do; what a program may its scope says."""
    if ask.caller.scopes is None and not may_enter(ask.visitor, kind):
        what = f"an entry of the kind {kind} changes what a truck is: a manager enters it"
        raise Refused("not-allowed", what)


def _must_mend(ask: Ask, tx: sqlite3.Connection, entry_id: int) -> None:
    unchanged(ask.request, _one(tx, entry_id))
    if not may_mend(ask.visitor, find(tx, entry_id), ask.now_ms):
        what = "a manager may mend any entry, others their own of the last day"
        raise Refused("not-allowed", f"{what}: entry {entry_id} is not such a one")


def _key(ask: Ask, key: str) -> str:
    """Give the key under which it is kept: two callers may use the same."""
    digest = hashlib.sha256(f"{ask.caller.key}\n{key}".encode()).hexdigest()
    return f"api-{digest[:32]}"


def _entered_before(book: Book, truck: str, said: Any, key: str) -> Entry | None:
    """Give the entry that a key has made, None where it has made none.

    Raises
    ------
    Refused
        It made one that says something else.
    """
    row = book.tx.execute("SELECT id FROM service_entry WHERE key = ?", (key,)).fetchone()
    if row is None:
        return None
    stored = find(book.tx, row[0])
    asked = Entry(
        vehicle=truck,
        kind=said.kind,
        time_ms=unix_ms(said.done_at),
        numbers=given(shapes.numbers_of(said)),
        words=shapes.words_of(said),
        note=said.note,
        who=book.who,
        entered_ms=book.now_ms,
        key=key,
    )
    if not same_content(stored, complete(asked)):
        raise Refused(
            "key-used", f"this Idempotency-Key made entry {stored.id}, which says otherwise"
        )
    return stored


def _one(conn: sqlite3.Connection, entry_id: int) -> Any:
    try:
        links_ = kept.chain(conn, entry_id)
    except kept.RecordError as error:
        raise Refused("not-here", error.what) from None
    truck = links_[0].vehicle
    found = _written(conn, truck, links_)
    return next(each for each in found if each.id == entry_id)


def _written(conn: sqlite3.Connection, truck: str, entries: list[Entry]) -> list[Any]:
    newer = {each.supersedes: each.id for each in entries if each.supersedes is not None}
    counted = {each.id for each in kept.effective(conn, truck, taken_only=True)}
    return [
        shapes.entry_shape(
            each, superseded_by=newer.get(each.id or 0), counts=each.id in counted
        )
        for each in entries
    ]


def _made(tx: sqlite3.Connection, entry: Entry) -> Response:
    return made(_one(tx, entry.id or 0), where=f"{ROOT}/record/{entry.id}")
