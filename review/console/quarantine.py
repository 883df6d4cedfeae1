"""``/system/quarantine``: what was refused, why, and putting it in again once mended."""

from __future__ import annotations

from collections.abc import Sequence

from starlette.responses import Response
from starlette.routing import BaseRoute

from alerts.phrases import size_words
from ingest import inbox, quarantine
from ingest.decoded import REASONS
from review.access.audit import Deed
from review.access.visitor import Role
from review.console.house import House
from review.console.system import SYSTEM
from review.console.visit import Visit, route

QUARANTINE = f"{SYSTEM}/quarantine"

SHOWN = 50
"""Entries on a page."""

EDITED_BYTES = 16_384
"""So much of a payload is put into a form to be mended [bytes]; a larger one is mended at the machine."""


def routes(house: House) -> Sequence[BaseRoute]:
    """Give the routes."""
    one = f"{QUARANTINE}/{{entry:int}}"
    return (
        route(house, QUARANTINE, _look, least=Role.TECHNICIAN),
        route(house, one, _look_at_one, least=Role.TECHNICIAN),
        route(house, f"{one}/again", _again, least=Role.MANAGER, methods=("POST",)),
        route(house, f"{one}/drop", _drop, least=Role.MANAGER, methods=("POST",)),
    )


def _look(visit: Visit) -> Response:
    asked = visit.request.query_params
    reason, below = asked.get("reason", ""), asked.get("below", "")
    with visit.house.store.read() as conn:
        totals = quarantine.totals(conn)
        found = quarantine.listing(
            conn,
            reason=reason if reason in REASONS else None,
            limit=SHOWN + 1,
            below_id=int(below) if below.isdecimal() and len(below) < 16 else None,
        )
    return visit.page(
        "quarantine.html",
        title="What was refused",
        entries=found[:SHOWN],
        older=found[SHOWN - 1].id if len(found) > SHOWN else None,
        totals=totals,
        reason=reason,
        reasons=REASONS,
    )


def _look_at_one(visit: Visit) -> Response:
    with visit.house.store.read() as conn:
        entry = quarantine.show(conn, visit.request.path_params["entry"])
    if entry is None:
        return _gone(visit)
    text = entry.raw[:EDITED_BYTES].decode("utf-8", "backslashreplace")
    return visit.page(
        "quarantined.html",
        title=f"Refused message {entry.id}",
        entry=entry,
        words=REASONS.get(entry.reason, entry.reason),
        text=text,
        whole=entry.raw_bytes <= EDITED_BYTES and _is_text(entry.raw),
        size=size_words(entry.raw_bytes),
    )


def _again(visit: Visit) -> Response:
    topic, payload = visit.form.get("topic", "").strip(), visit.form.get("payload")
    with visit.house.store.write() as tx:
        entry = quarantine.take(tx, visit.request.path_params["entry"])
        if entry is not None:
            body = entry.raw if payload is None else payload.replace("\r\n", "\n").encode()
            inbox.put(tx, topic=topic or entry.topic, payload=body)
            visit.audit(tx, Deed.QUARANTINE_PUT_IN_AGAIN, f"{entry.id}, {entry.topic}")
    return _gone(visit) if entry is None else visit.go(f"{SYSTEM}?done=reingested")


def _drop(visit: Visit) -> Response:
    entry_id: int = visit.request.path_params["entry"]
    with visit.house.store.write() as tx:
        entry = quarantine.show(tx, entry_id)
        if entry is not None:
            quarantine.drop(tx, [entry_id])
            visit.audit(tx, Deed.QUARANTINE_DROPPED, f"{entry.id}, {entry.topic}")
    return _gone(visit) if entry is None else visit.go(f"{SYSTEM}?done=dropped")


def _gone(visit: Visit) -> Response:
    return visit.problem(
        404,
        "No such message",
        "It was put in again, dropped, or made room for newer ones.",
        "What is held now stands under System, Refused.",
    )


def _is_text(raw: bytes) -> bool:
    """Say whether a form gives it back as it is."""
    try:
        return all(sign.isprintable() or sign in "\n\t" for sign in raw.decode())
    except UnicodeDecodeError:
        return False
