"""Far sides for the channels: a real web server and a real mail server, each as told."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email import message_from_bytes
from email.message import EmailMessage, Message
from email.policy import default
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from ssl import SSLContext
from typing import Any

from aiosmtpd.controller import Controller

Answer = Callable[[BaseHTTPRequestHandler], None]


@dataclass
class Posted:
    path: str
    headers: dict[str, str]
    body: bytes


@dataclass
class WebSide:
    """A web server that notes what it gets and answers as told."""

    port: int = 0
    answer: Answer = lambda handler: reply(handler, 204)
    posted: list[Posted] = field(default_factory=list)


def reply(handler: BaseHTTPRequestHandler, status: int, **headers: str) -> None:
    handler.send_response(status)
    for name, value in headers.items():
        handler.send_header(name.replace("_", "-"), value)
    handler.send_header("Content-Length", "0")
    handler.end_headers()


@contextmanager
def web_side(context: SSLContext | None = None) -> Iterator[WebSide]:
    side = WebSide()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["content-length"]))
            headers = {name.lower(): value for name, value in self.headers.items()}
            side.posted.append(Posted(self.path, headers, body))
            side.answer(self)

        def log_message(self, *args: Any) -> None:
            """Say nothing."""

    class Server(ThreadingHTTPServer):
        def handle_error(self, request: Any, client_address: Any) -> None:
            """A client that hangs up is part of the tests."""

    with Server(("127.0.0.1", 0), Handler) as server:
        if context:
            server.socket = context.wrap_socket(server.socket, server_side=True)
        side.port = server.server_address[1]
        thread = threading.Thread(target=server.serve_forever, args=(0.01,))
        thread.start()
        try:
            yield side
        finally:
            server.shutdown()
            thread.join()


@dataclass
class MailSide:
    """A mail server that keeps what it accepts and answers as told."""

    data_answers: list[str] = field(default_factory=list)
    refused: dict[str, str] = field(default_factory=dict)
    sender_answer: str = ""
    farewell: str = "221 bye"
    received: list[EmailMessage] = field(default_factory=list)
    envelopes: list[list[str]] = field(default_factory=list)

    async def handle_MAIL(  # noqa: N802 - the library names it
        self, server: Any, session: Any, envelope: Any, address: str, options: Any
    ) -> str:
        envelope.mail_from = address
        envelope.mail_options.extend(options)
        return self.sender_answer or "250 OK"

    async def handle_RCPT(  # noqa: N802 - the library names it
        self, server: Any, session: Any, envelope: Any, address: str, options: Any
    ) -> str:
        if address in self.refused:
            return self.refused[address]
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(  # noqa: N802 - the library names it
        self, server: Any, session: Any, envelope: Any
    ) -> str:
        message: Message = message_from_bytes(envelope.content, policy=default)
        assert isinstance(message, EmailMessage)
        answer = self.data_answers.pop(0) if self.data_answers else "250 kept"
        if answer.startswith("250"):
            self.received.append(message)
            self.envelopes.append(list(envelope.rcpt_tos))
        return answer

    async def handle_QUIT(  # noqa: N802 - the library names it
        self, server: Any, session: Any, envelope: Any
    ) -> str:
        return self.farewell


@contextmanager
def mail_side(side: MailSide, port: int, **how: Any) -> Iterator[MailSide]:
    controller = Controller(side, hostname="127.0.0.1", port=port, **how)
    controller.start()
    try:
        yield side
    finally:
        controller.stop()


def free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        port: int = found.getsockname()[1]
        return port


def until(true: Callable[[], bool], *, within_s: float = 20.0) -> None:
    """Wait for a condition."""
    end = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < end, "it did not come true in time"
        time.sleep(0.005)
