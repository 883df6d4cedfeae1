"""Long answers: they go on while they are read, and hold nothing up when the server ends."""

from __future__ import annotations

import asyncio
import socket
import time
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager, suppress

import pytest
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route

from review.web import patience
from review.web import server as web_server
from review.web.patience import Patience
from review.web.server import WebServer
from tests.alerts.far_side import until

PATIENCE_S = 0.3
CHUNK = b"x" * 65_536


async def _news(request: Request) -> Response:
    async def events() -> AsyncIterator[bytes]:
        while True:
            yield b": still here\n\n"
            await asyncio.sleep(0.05)

    request.state.streaming = True
    return StreamingResponse(events(), media_type="text/event-stream")


async def _file(request: Request) -> Response:
    del request

    async def body() -> AsyncIterator[bytes]:
        for _ in range(400):
            yield CHUNK

    return StreamingResponse(body())


class Asked(Patience):
    """The server's own, which also says that its time was up while a request waited for us."""

    time_was_up = asyncio.Event()

    def _is_waited_for(self) -> bool:
        found = super()._is_waited_for()
        self.time_was_up.set()
        return found


async def _slow(request: Request) -> Response:
    del request
    await Asked.time_was_up.wait()
    return PlainTextResponse("done")


@contextmanager
def served() -> Iterator[tuple[WebServer, tuple[str, int]]]:
    routes = [Route("/news", _news), Route("/file", _file), Route("/slow", _slow)]
    server = WebServer(Starlette(routes=routes), bind="127.0.0.1", port=0)
    server.start()
    assert server.wait(10.0)
    assert server.address is not None
    try:
        yield server, server.address
    finally:
        server.stop()


@pytest.fixture(autouse=True)
def _soon(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(patience, "LONGEST_S", PATIENCE_S)


def _asked(address: tuple[str, int], path: str) -> socket.socket:
    line = socket.create_connection(address, 30.0)
    line.sendall(f"GET {path} HTTP/1.1\r\nhost: a\r\n\r\n".encode())
    return line


def _rest(line: socket.socket) -> int:
    """Read until the far side ends the connection; give how many bytes came."""
    got = 0
    with suppress(ConnectionError):
        while chunk := line.recv(262_144):
            got += len(chunk)
    return got


def test_news_go_on_for_longer_than_a_request_may_take() -> None:
    with served() as (_, address), _asked(address, "/news") as line:
        end = time.monotonic() + 5 * PATIENCE_S
        while time.monotonic() < end:
            assert line.recv(4096)


def test_news_hold_up_no_end_of_the_daemon(caplog: pytest.LogCaptureFixture) -> None:
    """The server's own grace for answers under way must not be used up: it says so when it is."""
    with served() as (server, address), _asked(address, "/news") as line:
        assert b"200 OK" in line.recv(4096)
        assert server.stop()
        _rest(line)
    assert not [each for each in caplog.messages if "graceful shutdown exceeded" in each]


def test_a_large_file_reaches_a_slow_reader_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    longest_s = 1.0
    monkeypatch.setattr(patience, "LONGEST_S", longest_s)
    with served() as (_, address), _asked(address, "/file") as line:
        got, begun = 0, time.monotonic()
        while got <= 400 * len(CHUNK) and (chunk := line.recv(262_144)):
            got += len(chunk)
            time.sleep(0.03)
        assert got > 400 * len(CHUNK)
        assert time.monotonic() - begun > longest_s


def test_who_reads_nothing_is_shown_out() -> None:
    with served() as (server, address), socket.socket() as line:
        line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4_096)
        line.settimeout(30.0)
        line.connect(address)
        line.sendall(b"GET /file HTTP/1.1\r\nhost: a\r\n\r\n")
        assert server._server is not None
        held = server._server.server_state.connections
        until(lambda: bool(held))
        until(lambda: not held)
        assert _rest(line) < 400 * len(CHUNK)


def test_an_answer_that_takes_its_time_is_waited_for_once(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(web_server, "Patience", Asked)
    with served() as (_, address), _asked(address, "/slow") as line:
        got = b""
        while not got.endswith(b"done"):
            chunk = line.recv(4096)
            assert chunk
            got += chunk
    assert Asked.time_was_up.is_set()
