"""A small web server that says how the daemon does: for service managers, containers, Prometheus.

Apart from the console, so that it answers when that does not: a thread for each of a few requests at once,
each with a time limit. It knows no names of trucks and no secrets, and nothing can be changed through it.
"""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlsplit

import structlog
from prometheus_client import CONTENT_TYPE_LATEST

from deploy.no_port import mend_no_port, why_no_port
from deploy.observe_sections import Health
from deploy.signs import Check, well
from review.joined import joined

log = structlog.get_logger()

AT_ONCE = 8
"""Requests answered at once; who comes beyond that is sent away."""

LONGEST_S = 10.0
"""Longest that a request may take [s], from its first byte to the last of the answer."""

RETRY_S = 5.0
"""How long until an address that is taken is tried again [s]."""

PLAIN = "text/plain; charset=utf-8"

Look = Callable[[], tuple[Check, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pages:
    """What is said: by path the checks, and the figures as text."""

    checks: Mapping[str, Look]
    figures: Callable[[], bytes]


class HealthServer:
    """Serves in a thread of its own; an address that is taken is tried again and stops nothing."""

    def __init__(self, settings: Health, pages: Pages) -> None:
        self._settings = settings
        self._pages = pages
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="health", daemon=True)

    def start(self) -> None:
        """Begin to serve."""
        self._thread.start()

    def stop(self) -> bool:
        """End soon."""
        self._stopping.set()
        return joined(self._thread, LONGEST_S)

    def _run(self) -> None:
        settings, said = self._settings, False
        while not self._stopping.is_set():
            try:
                server = _Server(settings, self._pages)
            except OSError as error:
                if not said:
                    log.error("health.unavailable", **_why_not(settings, error))
                said = True
                self._stopping.wait(RETRY_S)
                continue
            with server:
                log.info("health.started", bind=settings.bind, port=settings.port)
                while not self._stopping.is_set():
                    server.handle_request()


def _why_not(settings: Health, error: OSError) -> dict[str, str]:
    """Say what cannot be, why, and how to mend it."""
    return {
        "reason": f"cannot listen at {settings.bind} port {settings.port}: {why_no_port(error)}",
        "mend": f"{mend_no_port(error)}, in [health]; it is tried again every {RETRY_S:g} s",
    }


class _Server(ThreadingHTTPServer):
    """Bounded: a few threads, a time limit for each request."""

    daemon_threads = True
    block_on_close = False
    request_queue_size = 16
    timeout = 0.2

    def __init__(self, settings: Health, pages: Pages) -> None:
        self.pages = pages
        self._free = threading.BoundedSemaphore(AT_ONCE)
        if ":" in settings.bind:
            self.address_family = socket.AF_INET6
        super().__init__((settings.bind, settings.port), _Handler)

    def process_request(self, request: Any, client_address: Any) -> None:
        """Answer in a thread of its own, if there is one left."""
        if not self._free.acquire(blocking=False):
            self.shutdown_request(request)
            return
        try:
            super().process_request(request, client_address)
        except RuntimeError:  # no thread is to be had: its place must not be lost for good
            self._free.release()
            raise

    def process_request_thread(self, request: Any, client_address: Any) -> None:
        """Answer; cut off what takes too long."""
        limit = threading.Timer(LONGEST_S, _cut, (request,))
        limit.daemon = True
        try:
            limit.start()
            super().process_request_thread(request, client_address)
        finally:
            limit.cancel()
            self._free.release()

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Say nothing of who hangs up in the middle."""


def _cut(request: socket.socket) -> None:
    with contextlib.suppress(OSError):
        request.shutdown(socket.SHUT_RDWR)


class _Handler(BaseHTTPRequestHandler):
    """Answers one request and closes the connection (HTTP/1.0, as the base has it)."""

    server: _Server
    timeout = LONGEST_S

    def do_GET(self) -> None:
        """Answer."""
        url = urlsplit(self.path)
        pages = self.server.pages
        if url.path == "/metrics":
            self._answer(200, pages.figures(), CONTENT_TYPE_LATEST)
        elif url.path in pages.checks:
            checks = pages.checks[url.path]()
            good = well(checks)
            asked = "verbose" in parse_qs(url.query, keep_blank_values=True)
            text = written(checks) if asked or not good else "ok\n"
            self._answer(200 if good else 503, text.encode(), PLAIN)
        else:
            known = ", ".join((*pages.checks, "/metrics"))
            self._answer(404, f"There are {known}.\n".encode(), PLAIN)

    def _refuse(self) -> None:
        self._answer(405, b"Only GET.\n", PLAIN)

    do_HEAD = do_POST = do_PUT = do_PATCH = do_DELETE = do_OPTIONS = _refuse  # noqa: N815 - the base's names

    def _answer(self, status: int, body: bytes, kind: str) -> None:
        self.send_response(status)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(body)))
        self.send_header("Cache-Control", "no-store")
        self.send_header("X-Content-Type-Options", "nosniff")
        if status == 405:
            self.send_header("Allow", "GET")
        self.end_headers()
        self.wfile.write(body)

    def version_string(self) -> str:
        """Name the server, and not what it is made of."""
        return "heatbook"

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the base's name
        """Log no requests: they come every few seconds."""


def written(checks: tuple[Check, ...]) -> str:
    """Write what was looked at, a line each."""
    lines = [f"[{'+' if each.good else '-'}] {each.name}: {each.words}" for each in checks]
    return "\n".join([*lines, "ok" if well(checks) else "not ok"]) + "\n"
