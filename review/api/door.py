"""The door of the API: who asks, how often, with what; before anything else is looked at. Plain ASGI."""

from __future__ import annotations

from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from review.access.gate import CSRF_HEADER
from review.api.caller import LOOKING, Caller, caller_of, from_elsewhere, stranger
from review.api.pace import Pace
from review.api.places import PEOPLE
from review.api.refusing import Refused, told
from review.console.house import House
from review.console.visit import SIGN_IN
from review.web.strangers import MOST, WINDOW_MS, Strangers


class Door:
    """Lets requests in to an app, each with its :class:`Caller` as ``request.state.caller``.

    ``guesses``: so many tokens that are none are answered as such, a minute and address.
    """

    def __init__(
        self, inside: ASGIApp, *, house: House, pace: Pace, guesses: int = MOST
    ) -> None:
        self._inside = inside
        self._house = house
        self._pace = pace
        self._guesses = guesses
        self._strangers = Strangers()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        request = Request(scope, receive)
        try:
            caller = await run_in_threadpool(self._caller, request)
            _understood(request)
        except Refused as refused:
            await _turned_away(request, refused)(scope, receive, send)
            return
        scope.setdefault("state", {})["caller"] = caller
        if scope["method"] == "HEAD":
            # As GET, without its body (RFC 9110, section 9.3.2).
            scope, send = {**scope, "method": "GET"}, _bodiless(send)
        await self._inside(scope, receive, send)

    def _caller(self, request: Request) -> Caller:
        caller = caller_of(self._house, request)
        if caller is None:
            raise self._unknown(request)
        wait_s = self._pace.wait_s(caller.visitor.name, self._house.uptime_ms())
        if wait_s:
            raise _too_many(wait_s)
        if from_elsewhere(self._house, request, caller):
            what = f"what changes something needs the header {CSRF_HEADER}, beside the cookie of a session"
            raise Refused("not-allowed", what)
        return caller

    def _unknown(self, request: Request) -> Refused:
        tried = "authorization" in request.headers
        if not tried:
            return stranger(tried=False)
        address = request.client.host if request.client else ""
        if self._strangers.count(address, self._house.uptime_ms()) > self._guesses:
            return _too_many(WINDOW_MS // 1000)
        return stranger(tried=True)


def _turned_away(request: Request, refused: Refused) -> Response:
    """Answer whoever is not let in; a person who opens the page for people may sign in first."""
    page = request.method in LOOKING and request.url.path == PEOPLE
    if page and refused.kind.status == 401 and "authorization" not in request.headers:
        return RedirectResponse(f"{SIGN_IN}?next={quote(PEOPLE, safe='')}", 303)
    return told(request, refused)


def _too_many(wait_s: int) -> Refused:
    return Refused(
        "too-many",
        f"too many requests; ask again in {wait_s} s",
        headers={"Retry-After": str(wait_s)},
    )


def _understood(request: Request) -> None:
    """Refuse a body that is no JSON (RFC 9110, section 15.5.16)."""
    length = request.headers.get("content-length", "0")
    if length == "0" and "transfer-encoding" not in request.headers:
        return
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/json":
        raise Refused(
            "wrong-content",
            f"the body is said to be {kind or 'nothing'}; send JSON, Content-Type: application/json",
            headers={"Accept": "application/json"},
        )


def _bodiless(send: Send) -> Send:
    async def sent(message: Message) -> None:
        if message["type"] == "http.response.body":
            message = {**message, "body": b""}
        await send(message)

    return sent
