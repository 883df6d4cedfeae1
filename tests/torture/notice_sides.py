"""Far sides in every mood: a web receiver and a mail server on real sockets, at one port for good."""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default
from enum import StrEnum
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from aiosmtpd.controller import Controller

from tests.alerts.far_side import free_port, reply
from tests.torture.notice_checker import Arrived

WEB = "webhook:control"
"""The destination that the web receiver is."""

SLOW_S = 0.5
"""How long a slow far side takes to answer [s]: longer than anybody waits for it here."""


class Mood(StrEnum):
    """How a far side behaves."""

    FINE = "fine"
    DOWN = "down"  # nobody listens
    SLOW = "slow"  # takes it, and answers when nobody waits any more
    BUSY = "busy"  # 429, 451: later, please
    BROKEN = "broken"  # 500, 421
    REFUSES = "refuses"  # 400, 550: never
    CUT_BEFORE = "cut before"  # hangs up and has taken nothing
    CUT_AFTER = "cut after"  # has taken it, hangs up before it says so
    CUT_WITHIN = "cut within"  # has taken it, hangs up in the middle of saying so


TAKES = frozenset({Mood.FINE, Mood.SLOW, Mood.CUT_AFTER, Mood.CUT_WITHIN})
"""Moods in which the far side keeps what it gets."""


@dataclass(slots=True)
class Intake:
    """What arrived at all far sides, in order; ``taking`` is called before the answer to it."""

    arrived: list[Arrived] = field(default_factory=list)
    taking: Callable[[], None] = lambda: None
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def take(self, one: Arrived) -> None:
        """Keep it."""
        with self._lock:
            self.arrived.append(one)
        self.taking()


@dataclass
class WebReceiver:
    """Takes events; ``mood`` may change at any time."""

    intake: Intake
    port: int = field(default_factory=free_port)
    mood: Mood = Mood.FINE
    _server: ThreadingHTTPServer | None = None
    _thread: threading.Thread | None = None

    def be(self, mood: Mood) -> None:
        """Take on a mood; down means that the port is closed."""
        self.mood = mood
        if mood is Mood.DOWN:
            self.stop()
        elif self._server is None:
            self._start()

    def stop(self) -> None:
        """Close the port."""
        server, self._server = self._server, None
        if server is not None:
            server.shutdown()
            server.server_close()
            assert self._thread is not None
            self._thread.join()

    def _start(self) -> None:
        side = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                side._answer(self, self.rfile.read(int(self.headers["content-length"])))

            def log_message(self, *args: Any) -> None:
                """Say nothing."""

        class Server(ThreadingHTTPServer):
            daemon_threads = True
            block_on_close = False

            def handle_error(self, request: Any, client_address: Any) -> None:
                """A client that hangs up is part of the experiment."""

        self._server = Server(("127.0.0.1", self.port), Handler)
        self._thread = threading.Thread(
            target=self._server.serve_forever, args=(0.01,), daemon=True
        )
        self._thread.start()

    def _answer(self, handler: BaseHTTPRequestHandler, body: bytes) -> None:
        mood = self.mood
        if mood in TAKES:
            self.intake.take(_event(handler.headers["webhook-id"], body))
        match mood:
            case Mood.BUSY:
                reply(handler, 429)
            case Mood.BROKEN:
                reply(handler, 500)
            case Mood.REFUSES:
                reply(handler, 400)
            case Mood.CUT_BEFORE | Mood.CUT_AFTER:
                _hang_up(handler)
            case Mood.CUT_WITHIN:
                handler.wfile.write(b"HTTP/1.1 20")
                handler.wfile.flush()
                _hang_up(handler)
            case Mood.SLOW:
                time.sleep(SLOW_S)
                reply(handler, 204)
            case _:
                reply(handler, 204)


def _hang_up(handler: BaseHTTPRequestHandler) -> None:
    handler.close_connection = True
    with contextlib.suppress(OSError):
        handler.connection.shutdown(socket.SHUT_RDWR)


def _event(name: str, body: bytes) -> Arrived:
    data = json.loads(body)["data"]
    alarms = data.get("alarms", [data])
    facts = {(each["alarm_id"], f"{each['matter']} {each['priority']}") for each in alarms}
    return Arrived(destination=WEB, id=name, text=body.decode(), facts=frozenset(facts))


@dataclass
class MailServer:
    """Takes mail for ``people``, by the name before the @; ``mood`` may change at any time."""

    intake: Intake
    port: int = field(default_factory=free_port)
    mood: Mood = Mood.FINE
    _controller: Controller | None = None

    def be(self, mood: Mood) -> None:
        """Take on a mood; down means that the port is closed."""
        self.mood = mood
        if mood is Mood.DOWN:
            self.stop()
        elif self._controller is None:
            self._controller = Controller(self, hostname="127.0.0.1", port=self.port)
            self._controller.start()

    def stop(self) -> None:
        """Close the port."""
        controller, self._controller = self._controller, None
        if controller is not None:
            controller.stop()

    async def handle_DATA(  # noqa: N802 - the library names it
        self, server: Any, session: Any, envelope: Any
    ) -> str:
        mood = self.mood
        if mood in TAKES:
            self._take(envelope)
        match mood:
            case Mood.BUSY:
                return "451 not now"
            case Mood.BROKEN:
                return "421 going away"
            case Mood.REFUSES:
                return "550 never"
            case Mood.CUT_BEFORE | Mood.CUT_AFTER:
                server.transport.abort()
            case Mood.CUT_WITHIN:
                server.transport.write(b"25")
                server.transport.close()
            case Mood.SLOW:
                await asyncio.sleep(SLOW_S)
            case _:
                pass
        return "250 kept"

    def _take(self, envelope: Any) -> None:
        message = message_from_bytes(envelope.content, policy=default)
        assert isinstance(message, EmailMessage)
        name = str(message["Message-ID"]).strip("<>").partition("@")[0]
        body = message.get_body(("plain",))
        assert body is not None
        text = f"{message['Subject']}\n{body.get_content()}"
        for address in envelope.rcpt_tos:
            person = address.partition("@")[0]
            self.intake.take(Arrived(destination=f"smtp/{person}", id=name, text=text))
