"""What programs read at private addresses: the calendar of service dates, the alarms' own figures."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import format_datetime, parsedate_to_datetime

import msgspec
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from alerts.links import BadLink, Fault, Purpose
from deploy import addresses
from deploy.calendar_feed import Feed
from review.web import pages
from review.web.office import Office, said

CHECKED = "private, no-cache"
"""A reader may keep what it got, and asks each time whether it still holds."""

DAYS, MOST_DAYS = 30, 366
"""Over how many days figures are, unless ``?days=`` says otherwise, and at most."""

_DAY_MS = 86_400_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Sources:
    """Where the feeds come from: the calendar of a truck or of all (``*``), figures over a span [Unix ms]."""

    calendar: Callable[[str], Feed | None]
    figures: Callable[[sqlite3.Connection, int, int], object]


def feed_routes(office: Office, sources: Sources) -> Sequence[BaseRoute]:
    """Give the routes of the feeds."""

    def calendar(request: Request) -> Response:
        try:
            scope = _scope(office, request, Purpose.CALENDAR)
        except BadLink as error:
            return office.refuse(request, error)
        found = sources.calendar(scope)
        return said(404, _GONE) if found is None else _kept(request, found)

    def figures(request: Request) -> Response:
        try:
            _scope(office, request, Purpose.FIGURES)
        except BadLink as error:
            return office.refuse(request, error)
        now_ms = office.now_ms()
        with office.database.read() as conn:
            found = sources.figures(conn, now_ms - _days(request) * _DAY_MS, now_ms)
        return Response(msgspec.json.encode(found), media_type="application/json")

    return (
        Route(addresses.PATHS[Purpose.CALENDAR].format("{token}"), calendar),
        Route(addresses.PATHS[Purpose.FIGURES].format("{token}"), figures),
    )


def _scope(office: Office, request: Request, purpose: Purpose) -> str:
    """Give what an address shows, if it is still the one that counts."""
    with office.database.read() as conn:
        claim = office.links(conn).read_address(request.path_params["token"], purpose)
        if claim != addresses.current(conn, purpose, claim.scope):
            raise BadLink(Fault.EXPIRED)
    return claim.scope


def _days(request: Request) -> int:
    text = request.query_params.get("days", "")
    return min(MOST_DAYS, max(1, int(text[:9]))) if text.isdecimal() else DAYS


def _kept(request: Request, found: Feed) -> Response:
    """Answer with a calendar, or that it is as it was (RFC 9110, sections 13.1.2 and 13.1.3)."""
    tag = f'"{hashlib.sha256(found.body).hexdigest()[:32]}"'
    changed = datetime.fromtimestamp(found.changed_ms // 1000, UTC)
    headers = {
        "ETag": tag,
        "Last-Modified": format_datetime(changed, usegmt=True),
        "Cache-Control": CHECKED,
    }
    if _unchanged(request, tag, changed):
        return Response(status_code=304, headers=headers)
    headers["Content-Disposition"] = 'inline; filename="service-dates.ics"'
    return Response(found.body, media_type="text/calendar", headers=headers)


def _unchanged(request: Request, tag: str, changed: datetime) -> bool:
    if (tags := request.headers.get("if-none-match")) is not None:
        known = {each.strip().removeprefix("W/") for each in tags.split(",")}
        return bool(known & {tag, "*"})
    try:
        since = parsedate_to_datetime(request.headers.get("if-modified-since", ""))
    except ValueError:
        return False
    return since.tzinfo is not None and changed <= since


_GONE = pages.Message(
    title="No such truck",
    lines=("The address is sound, but this truck is not known any more.",),
)
