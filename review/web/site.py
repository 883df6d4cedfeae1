"""The site: the routes of all parts put together, and what is said of a path that is none."""

from __future__ import annotations

from collections.abc import Sequence

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import BaseRoute, Route
from starlette.types import ASGIApp

from review.web import pages
from review.web.guard import OURS, Guard
from review.web.office import said


def site(*parts: Sequence[BaseRoute]) -> ASGIApp:
    """Put the site together from the routes of its parts."""
    routes = [Route("/robots.txt", _robots), *(route for part in parts for route in part)]
    # Starlette's own pages are for its developers; ours say the same as everywhere else.
    handlers = {HTTPException: _no_page, Exception: _failed}
    inside = Starlette(routes=routes, exception_handlers=handlers)
    # It would send "/me/" on to an address made of the Host header, which whoever asks writes.
    inside.router.redirect_slashes = False
    return Guard(inside)


def _robots(request: Request) -> Response:
    del request
    return PlainTextResponse("User-agent: *\nDisallow: /\n")


def _no_page(request: Request, error: Exception) -> Response:
    del request
    if not isinstance(error, HTTPException):
        raise error
    return said(error.status_code, _PAGES.get(error.status_code, _NOTHING), error.headers)


def _failed(request: Request, error: Exception) -> Response:
    del request, error  # the guard, to which it goes on, logs it
    return said(500, OURS)


_NOTHING = pages.Message(
    title="Nothing here", lines=("Pages of this server have private addresses.",)
)
_PAGES = {
    405: pages.Message(
        title="Not that way", lines=("Open the link in the notice and use the page it shows.",)
    ),
    413: pages.Message(
        title="Too long", lines=("More was sent than is taken here. Shorten the comment.",)
    ),
}
