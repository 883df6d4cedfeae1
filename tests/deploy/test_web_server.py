"""The web server beside the daemon: how it comes, goes and fails."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from contextlib import ExitStack, suppress

import httpx
import pytest
from starlette.responses import PlainTextResponse
from structlog.testing import capture_logs

from review.web import patience
from review.web import server as module
from review.web.server import WebServer
from tests.alerts.far_side import until

SITE = PlainTextResponse("here")


@pytest.fixture(autouse=True)
def _soon(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "RETRY_S", 0.05)


@pytest.fixture
def taken() -> Iterator[socket.socket]:
    with socket.create_server(("127.0.0.1", 0)) as listening:
        yield listening


def test_it_serves_until_it_is_stopped() -> None:
    server = WebServer(SITE, bind="127.0.0.1", port=0)
    server.start()
    assert server.wait(10.0)
    assert server.address is not None
    host, port = server.address
    assert httpx.get(f"http://{host}:{port}/").text == "here"
    assert server.stop()
    with pytest.raises(httpx.ConnectError):
        httpx.get(f"http://{host}:{port}/")


def test_a_port_in_use_is_said_once_and_taken_when_it_is_free(taken: socket.socket) -> None:
    port = taken.getsockname()[1]
    server = WebServer(SITE, bind="127.0.0.1", port=port)
    with capture_logs() as logged:
        server.start()
        until(lambda: bool(logged))
        assert not server.wait(0.3)
        taken.close()
        assert server.wait(10.0)
        assert httpx.get(f"http://127.0.0.1:{port}/").text == "here"
        assert server.stop()
    refused = [each for each in logged if each["event"] == "web.unavailable"]
    assert [each["reason"] for each in refused] == [
        f"cannot listen at 127.0.0.1 port {port}: Address already in use"
    ]


def test_it_can_be_stopped_before_it_listens_and_unstarted(taken: socket.socket) -> None:
    server = WebServer(SITE, bind="127.0.0.1", port=taken.getsockname()[1])
    assert server.stop()
    server.start()
    assert server.stop()


def test_who_takes_all_places_and_says_nothing_is_shown_out(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(patience, "LONGEST_S", 0.2)
    server = WebServer(SITE, bind="127.0.0.1", port=0)
    server.start()
    assert server.wait(10.0)
    assert server.address is not None
    begun = b"POST / HTTP/1.1\r\nhost: a\r\ncontent-length: 9\r\n\r\nseen"
    with ExitStack() as stack:
        for said in (b"", b"GET / HT", begun) * (module.CONNECTIONS // 2):
            line = stack.enter_context(socket.create_connection(server.address, 30.0))
            line.sendall(said)
            stack.callback(_ended, line)
    host, port = server.address
    assert httpx.get(f"http://{host}:{port}/").text == "here"
    assert server.stop()


def _ended(line: socket.socket) -> None:
    """Wait until the far side ends a connection."""
    with suppress(ConnectionError):
        while line.recv(4096):
            pass
