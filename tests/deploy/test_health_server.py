"""The health server under bad clients: slow ones, many at once, ones that hang up; a port that is taken."""

from __future__ import annotations

import socket
import socketserver
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import ExitStack, closing

import httpx
import pytest
from structlog.testing import capture_logs

from deploy import health_server
from deploy.health_server import AT_ONCE, HealthServer, Pages
from deploy.observe_sections import Health
from deploy.signs import Check
from deploy.waiting import until
from tests.alerts.far_side import free_port

PATIENCE_S = 20.0
GOOD = (Check(name="committer", good=True, words="runs"),)
BAD = (*GOOD, Check(name="store", good=False, words="the disk is full"))


class Serving:
    """A server, and what it says."""

    def __init__(self) -> None:
        self.port = free_port()
        self.says: tuple[Check, ...] = GOOD
        self.holding = threading.Event()
        self.holding.set()
        pages = Pages(
            checks={"/livez": lambda: self.says}, figures=lambda: b"# nothing\n" * self._wait()
        )
        self.server = HealthServer(Health(port=self.port), pages)

    def _wait(self) -> int:
        self.holding.wait(PATIENCE_S)
        return 1

    def get(self, path: str) -> httpx.Response:
        return httpx.get(f"http://127.0.0.1:{self.port}{path}", timeout=PATIENCE_S)

    def answers(self) -> bool:
        try:
            return self.get("/livez").status_code == 200
        except httpx.TransportError:
            return False

    def connect(self) -> socket.socket:
        return socket.create_connection(("127.0.0.1", self.port), timeout=PATIENCE_S)


@pytest.fixture
def serving(monkeypatch: pytest.MonkeyPatch) -> Iterator[Serving]:
    monkeypatch.setattr(health_server, "LONGEST_S", 1.0)
    monkeypatch.setattr(health_server, "RETRY_S", 0.05)
    one = Serving()
    one.server.start()
    assert until(one.answers, PATIENCE_S)
    yield one
    assert one.server.stop()


def test_what_is_not_good_is_told_with_its_reason(serving: Serving) -> None:
    serving.says = BAD
    answer = serving.get("/livez")
    assert answer.status_code == 503
    assert answer.text == "[+] committer: runs\n[-] store: the disk is full\nnot ok\n"
    serving.says = GOOD
    assert serving.get("/livez").text == "ok\n"
    assert serving.get("/livez?verbose").text == "[+] committer: runs\nok\n"
    assert serving.get("/livez").headers["cache-control"] == "no-store"


def test_who_sends_a_byte_now_and_then_is_cut_off_and_holds_nobody_up(serving: Serving) -> None:
    with ExitStack() as stack:
        slow = [stack.enter_context(closing(serving.connect())) for _ in range(AT_ONCE - 1)]
        for each in slow:
            each.sendall(b"GET /livez HTTP/1.0\r\nX-Slow: ")
        assert serving.answers()
        for each in slow:  # until the far side hangs up
            assert _drips_until_cut(each)
        assert until(serving.answers, PATIENCE_S)


def _drips_until_cut(line: socket.socket) -> bool:
    line.settimeout(0.05)

    def cut() -> bool:
        try:
            line.sendall(b"x")
            return line.recv(1) == b""
        except TimeoutError:
            return False
        except OSError:
            return True

    return until(cut, PATIENCE_S)


def test_no_more_than_a_few_are_answered_at_once(
    serving: Serving, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(health_server, "LONGEST_S", PATIENCE_S)
    serving.holding.clear()
    before = threading.active_count()
    with ExitStack() as stack:
        lines = [stack.enter_context(closing(serving.connect())) for _ in range(5 * AT_ONCE)]
        for each in lines:
            each.sendall(b"GET /metrics HTTP/1.0\r\n\r\n")
        # Those beyond the bound are sent away; of the others none has its answer yet.
        assert until(lambda: sum(_hung_up(each) for each in lines) >= 4 * AT_ONCE, PATIENCE_S)
        assert threading.active_count() - before <= 2 * AT_ONCE
        serving.holding.set()
        left = [each for each in lines if not _hung_up(each)]
        assert len(left) == AT_ONCE
        assert all(each.recv(9) == b"HTTP/1.0 " for each in left)
    assert until(serving.answers, PATIENCE_S)


def _hung_up(line: socket.socket) -> bool:
    line.setblocking(False)
    try:
        return line.recv(1, socket.MSG_PEEK) == b""
    except BlockingIOError:
        return False
    except OSError:
        return True
    finally:
        line.settimeout(PATIENCE_S)


def test_requests_for_which_there_was_no_thread_take_no_place_for_good(
    serving: Serving, monkeypatch: pytest.MonkeyPatch
) -> None:
    def none_left(*_: object) -> None:
        raise RuntimeError("can't start new thread")

    with monkeypatch.context() as patched:
        patched.setattr(socketserver.ThreadingMixIn, "process_request", none_left)
        for _ in range(AT_ONCE):
            assert not serving.answers()
    assert until(serving.answers, PATIENCE_S)


def test_who_hangs_up_in_the_middle_and_who_sends_nonsense_does_no_harm(
    serving: Serving,
) -> None:
    for words in (
        b"",
        b"\x16\x03\x01\x02\x00",
        b"GET\r\n\r\n",
        b"GET / HTTP/9.9\r\n\r\n",
        b"A" * 70_000,
    ):
        with closing(serving.connect()) as line:
            try:
                line.sendall(words)
                line.shutdown(socket.SHUT_WR)
                answer = line.recv(12)
            except OSError:
                continue
            assert not answer.startswith(b"HTTP/1.0 200")
    assert serving.answers()


def test_a_port_that_is_taken_is_said_once_and_tried_again(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(health_server, "RETRY_S", 0.02)
    one = Serving()
    with capture_logs() as logged:
        with closing(socket.create_server(("127.0.0.1", one.port))):
            one.server.start()
            assert until(lambda: bool(logged), PATIENCE_S)
        assert until(one.answers, PATIENCE_S)
    assert [each["event"] for each in logged] == ["health.unavailable", "health.started"]
    where = f"127.0.0.1 port {one.port}"
    assert logged[0]["reason"] == f"cannot listen at {where}: Address already in use"
    assert "Stop the other program that listens there" in logged[0]["mend"]
    assert "in [health]; it is tried again" in logged[0]["mend"]
    assert one.server.stop()
    assert not one.answers()


def test_an_address_of_another_machine_is_said_with_how_to_mend_it() -> None:
    pages = Pages(checks={}, figures=bytes)
    server = HealthServer(Health(bind="192.0.2.1", port=free_port()), pages)
    with capture_logs() as logged:
        server.start()
        assert until(lambda: bool(logged), PATIENCE_S)
        assert server.stop()
    (told,) = logged
    assert "192.0.2.1 port" in told["reason"]
    assert "Cannot assign requested address" in told["reason"]
    assert "bind must be an address of this machine" in told["mend"]


def test_it_needs_nothing_of_the_console() -> None:
    """A daemon without [web] must not wait for a web framework; said by a process of its own."""
    ask = "import sys, deploy.serve; print(*sorted({'fastapi', 'starlette', 'uvicorn'} & set(sys.modules)))"
    done = subprocess.run(  # noqa: S603 - our own command
        [sys.executable, "-c", ask], capture_output=True, text=True, check=True
    )
    assert done.stdout.split() == []


def test_one_that_never_got_its_port_ends_too(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(health_server, "RETRY_S", 30.0)
    one = Serving()
    with closing(socket.create_server(("127.0.0.1", one.port))), capture_logs() as logged:
        one.server.start()
        assert until(lambda: bool(logged), PATIENCE_S)
        assert one.server.stop()
