"""An answer's second packet does not wait for the first to be confirmed (RFC 896, RFC 1122 4.2.3.2)."""

from __future__ import annotations

import asyncio
import socket

import httpx
import pytest
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route
from uvicorn.protocols.http.h11_impl import H11Protocol

from review.web import server
from review.web.patience import Patience
from review.web.server import WebServer
from review.web.site import site


def test_connections_send_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    at_once: list[int] = []

    class Looking(Patience):
        def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override] # as there
            sock = transport.get_extra_info("socket")
            at_once.append(sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY))
            super().connection_made(transport)

    assert issubclass(Looking, H11Protocol)
    monkeypatch.setattr(server, "Patience", Looking)

    async def hello(request: Request) -> Response:
        del request
        return PlainTextResponse("hello")

    running = WebServer(site([Route("/", hello)]), bind="127.0.0.1", port=0)
    running.start()
    try:
        assert running.wait(10.0)
        assert running.address is not None
        assert httpx.get(f"http://127.0.0.1:{running.address[1]}/").text == "hello"
    finally:
        assert running.stop()
    assert at_once == [1]
