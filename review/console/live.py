"""What happens, told to open pages as it happens: server-sent events.

By the HTML living standard (WHATWG), section "Server-sent events". One stream tells which trucks changed;
what to show of them each page asks for itself, so that nothing is told here that the page would not show.
A listener takes no thread: it waits in the server's own loop until the board wakes it.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Sequence
from contextlib import suppress

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response, StreamingResponse
from starlette.routing import BaseRoute, Route

from review.board_fleet import FleetLive
from review.console.house import House

MOST = 60
"""So many listen at once; the server takes a hundred connections, and pages need some. Who comes later is
asked to come again, and their page asks for itself every half minute. Own choice."""

RETRY_MS = 3_000
"""How long a page waits before it connects again [ms]."""

HEARTBEAT_S = 15.0
"""After so long without news a line is sent all the same [s]: a dead listener is noticed, and whether its
session has ended is asked."""

SPACING_S = 1.0
"""Least time between two pieces of news [s]: what happens meanwhile is told together."""

AGAIN_S = 30
"""When who could not listen may try again [s]."""


class Live:
    """Tells listeners what changed.

    Parameters
    ----------
    house
        Whose board is listened to.
    most, heartbeat_s, spacing_s
        As the constants of this file say.
    """

    def __init__(
        self,
        house: House,
        *,
        most: int = MOST,
        heartbeat_s: float = HEARTBEAT_S,
        spacing_s: float = SPACING_S,
    ) -> None:
        self._house = house
        self._most = most
        self._heartbeat_s = heartbeat_s
        self._spacing_s = spacing_s
        self.listening = 0

    async def answer(self, request: Request) -> Response:
        """Open a stream for whoever is signed in."""
        if not await self._signed_in(request):
            return PlainTextResponse("Sign in first.\n", 401)
        if self.listening >= self._most:
            return PlainTextResponse(
                "Too many pages listen already; this one asks for itself.\n",
                503,
                {"Retry-After": str(AGAIN_S)},
            )
        if request.method == "HEAD":
            return Response(media_type="text/event-stream")
        request.state.streaming = True
        return StreamingResponse(
            self._events(request),
            media_type="text/event-stream",
            headers={"X-Accel-Buffering": "no"},  # a proxy that gathers would hold it all back
        )

    async def _signed_in(self, request: Request) -> bool:
        return await run_in_threadpool(self._house.gate.visitor, request) is not None

    async def _events(self, request: Request) -> AsyncIterator[str]:
        board, loop, woken = self._house.board, asyncio.get_running_loop(), asyncio.Event()

        def wake() -> None:
            with suppress(RuntimeError):  # the loop has ended
                loop.call_soon_threadsafe(woken.set)

        leave = board.subscribe(wake)
        self.listening += 1
        mark = request.headers.get("last-event-id") or request.query_params.get("from", "")
        asked_s = loop.time()
        try:
            yield f"retry: {RETRY_MS}\n: listening\n\n"
            while not board.stopping:
                woken.clear()
                fleet = board.now()
                yield _news(fleet, mark) if fleet.mark != mark else ": still here\n\n"
                mark = fleet.mark
                with suppress(TimeoutError):
                    await asyncio.wait_for(woken.wait(), self._heartbeat_s)
                    await asyncio.sleep(self._spacing_s)
                if loop.time() - asked_s >= self._heartbeat_s:
                    asked_s = loop.time()
                    if not await self._signed_in(request):
                        yield "event: ended\ndata: {}\n\n"
                        return
        finally:
            leave()
            self.listening -= 1


def _news(fleet: FleetLive, mark: str) -> str:
    """Write which trucks changed since a mark; of another run's mark nothing is known: all."""
    epoch, _, version = mark.rpartition("-")
    known = epoch == fleet.epoch and version.isdecimal()
    told = {
        "trucks": fleet.changed_since(int(version)) if known else None,
        "read": len(fleet.trucks),
        "of": len(fleet.known),
    }
    return f"id: {fleet.mark}\nevent: change\ndata: {json.dumps(told)}\n\n"


def routes(house: House) -> Sequence[BaseRoute]:
    """Give the route."""
    return (Route("/live", Live(house).answer, methods=["GET"]),)
