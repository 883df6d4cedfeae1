"""Forms as they come back."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from urllib.parse import parse_qsl

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

LOOKING = frozenset({"GET", "HEAD"})
"""Ways to ask that change nothing."""

Form = Mapping[str, str]


def filled(body: bytes) -> Form:
    """Read a form."""
    return dict(parse_qsl(body.decode("utf-8", "replace"), keep_blank_values=True))


def open_route(path: str, handler: Callable[[Request, Form], Response], method: str) -> Route:
    """Give the route of a page that is there also for who is not signed in."""

    async def endpoint(request: Request) -> Response:
        form = {} if request.method in LOOKING else filled(await request.body())
        return await run_in_threadpool(handler, request, form)

    return Route(path, endpoint, methods=[method])
