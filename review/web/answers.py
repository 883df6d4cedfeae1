"""``/answer/{token}``: looking at what a notice told, and acknowledging it.

Only POST changes anything: programs that follow every link in a mail, be it with GET or HEAD, only look.
The token is the authority; there are no cookies that another site's page could ride on.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from urllib.parse import parse_qsl

import structlog
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from alerts import answer, sending
from alerts.answer import Answered, Verdict
from alerts.links import Answer, BadLink
from models.transition import Priority
from review.web import answer_words, pages
from review.web.office import Office, said
from review.web.origin import from_elsewhere

log = structlog.get_logger()

NAME_LENGTH, COMMENT_LENGTH = 60, 500
"""What of a name and of a comment is kept [characters]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Filled:
    """A form as it came back."""

    seen: Mapping[str, Priority]
    name: str
    comment: str


def answer_routes(office: Office) -> Sequence[BaseRoute]:
    """Give the routes of answers."""

    def look(request: Request) -> Response:
        with office.database.read() as conn:
            try:
                claim = _claim(office, conn, request)
            except BadLink as error:
                return office.refuse(request, error)
            found = [answer.look(conn, *each) for each in _alarms(conn, claim)]
        return _page(office, claim, found)

    async def acknowledge(request: Request) -> Response:
        if (refused := _foreign(request, office.origins)) is not None:
            return refused
        filled = _filled(await request.body())
        return await run_in_threadpool(_acknowledge, office, request, filled)

    path = "/answer/{token}"
    return (
        Route(path, look, methods=["GET"]),
        Route(path, acknowledge, methods=["POST"]),
    )


def _acknowledge(office: Office, request: Request, filled: Filled) -> Response:
    now_ms = office.now_ms()
    with office.database.read() as conn:
        try:
            claim = _claim(office, conn, request)
        except BadLink as error:
            return office.refuse(request, error)
        alarms = _alarms(conn, claim)
    caller = office.caller(claim.person)
    by = caller.name if caller else claim.person or filled.name
    if not by:
        return said(400, _NAMELESS)
    with office.database.write() as tx:
        found = [
            answer.acknowledge(
                tx, *each, by=by, comment=filled.comment, now_ms=now_ms, seen=filled.seen
            )
            for each in alarms
        ]
    done = sum(each.verdict is Verdict.DONE for each in found)
    log.info("notice.answered", alarms=len(found), acknowledged=done, by=by)
    return _page(office, claim, found)


def _claim(office: Office, conn: sqlite3.Connection, request: Request) -> Answer:
    token: str = request.path_params["token"]
    return office.links(conn).read_answer(token, office.now_ms())


def _alarms(conn: sqlite3.Connection, claim: Answer) -> Sequence[tuple[str, int]]:
    """Give the alarms that an answer is to, with their turns."""
    if claim.sending:
        return sending.alarms_of(conn, claim.sending)
    return [(claim.alarm_id, claim.turn)]


def _page(office: Office, claim: Answer, found: Sequence[Answered]) -> Response:
    caller = office.caller(claim.person)
    teller = caller.teller if caller else office.teller
    if len(found) == 1:
        page = answer_words.one(found[0], teller, ask_name=not claim.person)
    else:
        page = answer_words.several(found, teller, ask_name=not claim.person)
    return said(max((_STATUS.get(each.verdict, 200) for each in found), default=404), page)


_STATUS = {Verdict.UNKNOWN: 404, Verdict.WORSE: 409}


def _foreign(request: Request, origins: frozenset[str]) -> Response | None:
    """Refuse a form that another site sent, and what is no form."""
    if from_elsewhere(request, origins):
        return said(403, _ELSEWHERE)
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    return None if kind == "application/x-www-form-urlencoded" else said(415, _NO_FORM)


def _filled(body: bytes) -> Filled:
    fields = dict(parse_qsl(body.decode("utf-8", "replace")))
    return Filled(
        seen=_seen(fields.get("seen", "")),
        name=line(fields.get("name", ""), NAME_LENGTH),
        comment=line(fields.get("comment", ""), COMMENT_LENGTH),
    )


def _seen(text: str) -> dict[str, Priority]:
    """Read what stood on the page; what is not as we wrote it was not seen."""
    pairs = (part.partition(":") for part in text.split())
    known = {str(int(priority)): priority for priority in Priority}
    return {alarm_id: known[level] for alarm_id, _, level in pairs if level in known}


def line(text: str, length: int) -> str:
    """Keep what can be printed, in one line of at most so many characters."""
    kept = "".join(sign if sign.isprintable() else " " for sign in text)
    return " ".join(kept.split())[:length].rstrip()


_NAMELESS = pages.Message(
    title="Who are you?",
    lines=(
        "This notice went to a list, so your name is needed: others must know whom to ask.",
        "Go back and fill it in. Nothing was written down.",
    ),
)
_ELSEWHERE = pages.Message(
    title="Not from our own page",
    lines=(
        "The form was sent from another site, so nothing was written down.",
        "Open the link in the notice and press the button there.",
    ),
)
_NO_FORM = pages.Message(
    title="Not a form", lines=("Open the link in the notice and press the button there.",)
)
