"""One request to a page: who asks for what, and the answer."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from alerts.teller import Teller
from ingest.archive import ArchiveError
from review.access.audit import Deed, audit
from review.access.visitor import Role, Visitor
from review.console.forms import LOOKING, filled
from review.console.house import House
from review.console.rendering import rendered, rendered_part
from review.console.say import Say

SIGN_IN = "/sign-in"
LIVE_PART = "live-part"
"""The header by which ``static/live.js`` asks for a part of the page that it stands on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """What a page is made from: the house, whoever asks, and what their form says."""

    house: House
    request: Request
    visitor: Visitor
    form: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))

    @property
    def say(self) -> Say:
        """Give what writes numbers and times for this reader."""
        return Say(self.visitor.units, self.house.now_ms())

    @property
    def teller(self) -> Teller:
        """Give what words alarms for this reader."""
        return self.house.teller(self.visitor.units)

    def page(
        self, template: str, *, title: str, status: int = 200, **facts: object
    ) -> Response:
        """Answer with a page, or with the part of it that the page's own script asks for."""
        given = {
            "title": title,
            "path": self.request.url.path,
            "visitor": self.visitor,
            "say": self.say,
            "live_from": self.house.board.now().mark,
            **facts,
        }
        part = self.request.headers.get(LIVE_PART)
        text = None if part is None else rendered_part(template, part, **given)
        return HTMLResponse(text or rendered(template, **given), status)

    def audit(self, tx: sqlite3.Connection, what: Deed, about: str = "") -> None:
        """Write in the audit log what this visitor does, in the transaction that does it."""
        now_ms = self.house.now_ms()
        audit(tx, self.visitor.name, what, about, now_ms=now_ms, address=self.address)

    @property
    def address(self) -> str:
        """Whence the request came."""
        return self.request.client.host if self.request.client else ""

    def go(self, path: str) -> Response:
        """Send on to another page after something was done."""
        return RedirectResponse(path, 303)

    def problem(self, status: int, title: str, *lines: str) -> Response:
        """Answer with a page that says what is wrong and how to mend it."""
        return self.page("problem.html", title=title, status=status, lines=lines)


Handler = Callable[[Visit], Response]


def route(
    house: House,
    path: str,
    handler: Handler,
    *,
    least: Role = Role.VIEWER,
    methods: Sequence[str] = ("GET",),
) -> Route:
    """Give the route of a page: only for whoever is signed in and may do this much."""

    async def endpoint(request: Request) -> Response:
        form = {} if request.method in LOOKING else filled(await request.body())
        return await run_in_threadpool(_answer, house, request, form, handler, least)

    return Route(path, endpoint, methods=list(methods))


def _answer(
    house: House, request: Request, form: Mapping[str, str], handler: Handler, least: Role
) -> Response:
    visitor = house.gate.visitor(request)
    if visitor is None:
        return _to_sign_in(request)
    visit = Visit(house=house, request=request, visitor=visitor, form=form)
    if request.method not in LOOKING:
        refused = house.gate.refusal(request, visitor, form)
        if refused is not None:
            return refused
    if not visitor.may(least):
        return visit.problem(
            403,
            "Not for you to do",
            f"This needs the role {least.name.lower()}, and yours is {visitor.role.name.lower()}.",
            "Ask a manager of this fleet.",
        )
    try:
        return handler(visit)
    except ArchiveError as error:
        lines = (f"{each[:1].upper()}{each[1:]}." for each in (error.what, error.mend))
        return visit.problem(503, "A part of the history cannot be read", *lines)


def _to_sign_in(request: Request) -> Response:
    if request.method not in LOOKING:
        return RedirectResponse(SIGN_IN, 303)
    asked = request.url.path + (f"?{request.url.query}" if request.url.query else "")
    back = "" if asked == "/" else f"?next={quote(asked, safe='')}"
    return RedirectResponse(SIGN_IN + back, 303)
