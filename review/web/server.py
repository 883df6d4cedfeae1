"""The web server in a thread of the daemon: it comes and goes with it, and never takes it along."""

from __future__ import annotations

import os
import socket
import threading
from contextlib import closing

import structlog
from starlette.types import ASGIApp
from uvicorn import Config, Server

from review.joined import joined
from review.web.patience import Patience

log = structlog.get_logger()

RETRY_S = 15.0
"""How long after a failure the server tries again [s]."""

CONNECTIONS = 200
"""So many connections at once are served; more are asked to come again. A browser opens up to six, and one
more for as long as it listens to what happens."""


class WebServer:
    """Serves a site until stopped.

    A port that is taken, or a fault of the server itself, is said once and tried again: a truck is
    watched whether a page can be shown or not.

    Parameters
    ----------
    site
        What is served.
    bind, port
        Where; port 0 takes any that is free.
    """

    def __init__(self, site: ASGIApp, *, bind: str, port: int) -> None:
        self._site = site
        self._bind = bind
        self._port = port
        self._thread = threading.Thread(target=self._run, name="web", daemon=True)
        self._stopping = threading.Event()
        self._listening = threading.Event()
        self._server: Server | None = None
        self._said = ""
        self.address: tuple[str, int] | None = None

    def start(self) -> None:
        """Begin to serve."""
        self._thread.start()

    def stop(self, timeout_s: float = 10.0) -> bool:
        """End after the requests now under way; false when that took longer than the time."""
        self._stopping.set()
        if self._server is not None:
            self._server.should_exit = True
        return joined(self._thread, timeout_s)

    def wait(self, timeout_s: float) -> bool:
        """Wait until it listens."""
        return self._listening.wait(timeout_s)

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                with closing(self._listen()) as listening:
                    self._serve(listening)
            except OSError as error:
                why = os.strerror(error.errno) if error.errno else str(error)
                self._complain(f"cannot listen at {self._bind} port {self._port}: {why}")
            except Exception as error:  # noqa: BLE001 - told; the daemon goes on without
                self._complain(f"fault: {error!r}", error)
            self._stopping.wait(RETRY_S)

    def _listen(self) -> socket.socket:
        family = socket.AF_INET6 if ":" in self._bind else socket.AF_INET
        listening = socket.create_server((self._bind, self._port), family=family)
        # Head and body of an answer are two writes: without this the second waits for the far side to
        # confirm the first, some 40 ms. What is accepted has it from here (asyncio sets it only on
        # sockets made for TCP by number).
        listening.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return listening

    def _serve(self, listening: socket.socket) -> None:
        host, port = listening.getsockname()[:2]
        self.address = (host, port)
        self._server = Server(
            Config(
                self._site,
                http=Patience,
                ws="none",
                lifespan="off",
                log_config=None,
                access_log=False,  # a path holds a key
                server_header=False,
                forwarded_allow_ips="127.0.0.1,::1",  # a proxy on this machine says who calls
                limit_concurrency=CONNECTIONS,
                timeout_keep_alive=5,
                timeout_graceful_shutdown=3,
            )
        )
        self._server.should_exit = self._stopping.is_set()
        self._said = ""
        log.info("web.started", host=host, port=port)
        self._listening.set()
        self._server.run(sockets=[listening])
        self._listening.clear()
        log.info("web.stopped")

    def _complain(self, reason: str, fault: Exception | None = None) -> None:
        if reason != self._said:
            log.error("web.unavailable", reason=reason, exc_info=fault)
        self._said = reason
