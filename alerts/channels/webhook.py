"""Notices to a web address: signed events, to a checked address, with a bounded wait.

The body is a CloudEvents 1.0 event in structured mode (its JSON format), signed as Standard Webhooks asks.
"""

from __future__ import annotations

import http.client
import socket
import ssl
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, field
from email.utils import parsedate_to_datetime
from urllib.parse import SplitResult, urlsplit

from alerts.channel import Clock
from alerts.channels import signature
from alerts.channels.addresses import Resolve, acceptable, resolve
from alerts.channels.cloud_event import CONTENT_TYPE, encode
from alerts.channels.ports import NO_WEB
from alerts.notice import Notice, Undelivered
from models.transition import Priority

READ_AT_MOST = 65_536
"""Of an answer's body [bytes]; it is not used, only taken off the line."""

_BUSY = frozenset({408, 425, 429})
_GONE = 410


@dataclass(frozen=True, slots=True, kw_only=True)
class WebhookSettings:
    """A receiver of signed notices.

    ``secrets`` sign in parallel (newest first), so that a secret can be changed without a gap.
    ``allow_private`` admits receivers in the own network, and plain ``http``. ``source`` says which
    installation speaks, for a receiver of several.
    """

    url: str = field(repr=False)
    secrets: tuple[str, ...] = field(repr=False)
    allow_private: bool = False
    min_priority: Priority = Priority.LOW
    timeout_s: float = 20.0
    source: str = "/heatbook"

    def __post_init__(self) -> None:
        if not self.source or any(
            sign.isspace() or not sign.isprintable() for sign in self.source
        ):
            raise ValueError("source: an address or path without blanks, like /heatbook")
        _check(self.url, ("https", "http") if self.allow_private else ("https",))
        if not self.secrets:
            raise ValueError("secrets: name at least one")
        for secret in self.secrets:
            signature.key(secret)


def _check(url: str, schemes: tuple[str, ...]) -> None:
    """Refuse an address that cannot or should not be called; no message repeats it: it is a secret."""
    if not (url.isascii() and url.isprintable()) or " " in url:
        raise ValueError("url: letters, digits and signs of ASCII alone; write others as %XX")
    try:
        parts = urlsplit(url)
        host, port = parts.hostname, parts.port
        (host or "").encode("idna")
    except ValueError:  # of a text that can be no address; what it says repeats a part
        raise ValueError(
            "url: not an address; write it like https://hooks.northfold.example/in"
        ) from None
    if parts.scheme not in schemes or not host:
        raise ValueError(f"url: a full address beginning with {' or '.join(schemes)}")
    if parts.username is not None or port == 0:
        raise ValueError("url: without user, password, or port 0")
    if port in NO_WEB:
        raise ValueError(
            f"url: port {port} is that of another service, which no browser calls either"
        )


class WebhookChannel:
    """Posts each notice to one address."""

    bundles = False

    def __init__(
        self,
        settings: WebhookSettings,
        *,
        now_ms: Clock,
        context: ssl.SSLContext | None = None,
        look_up: Resolve = resolve,
    ) -> None:
        self._settings = settings
        self._now_ms = now_ms
        self._context = context or ssl.create_default_context()
        self._look_up = look_up

    def deliver(self, notice: Notice) -> str:
        """Post the notice; anything but a 2xx answer is not delivered, a redirect included."""
        body = encode(notice, source=self._settings.source)
        time_s = self._now_ms() // 1000
        headers = {
            "content-type": CONTENT_TYPE,
            "user-agent": "heatbook",
            **signature.headers(
                self._settings.secrets, notice_id=notice.id, time_s=time_s, body=body
            ),
        }
        try:
            status, retry_after = self._post(body, headers)
        except (OSError, http.client.HTTPException) as error:
            raise Undelivered(f"receiver away: {error!r}", retry=True) from error
        self._judge(status, retry_after)
        return f"answered {status}"

    def _post(self, body: bytes, headers: dict[str, str]) -> tuple[int, str | None]:
        parts = urlsplit(self._settings.url)
        target = f"{parts.path or '/'}{'?' + parts.query if parts.query else ''}"
        with self._open(parts) as connection:
            connection.request("POST", target, body=body, headers=headers)
            with closing(connection.getresponse()) as answer:
                answer.read(READ_AT_MOST)
                return answer.status, answer.headers.get("retry-after")

    @contextmanager
    def _open(self, parts: SplitResult) -> Iterator[http.client.HTTPConnection]:
        """Connect to the checked address itself; Host and handshake keep the name."""
        secure = parts.scheme == "https"
        host = parts.hostname or ""
        standard = http.client.HTTPS_PORT if secure else http.client.HTTP_PORT
        connection = http.client.HTTPConnection(host, parts.port or standard)
        connection.default_port = standard
        with closing(connection):
            line = connection.sock = self._dial(host, connection.port)
            with self._ending(line):
                if secure:
                    line = self._context.wrap_socket(line, server_hostname=host)
            connection.sock = line
            with self._ending(line):
                yield connection

    @contextmanager
    def _ending(self, line: socket.socket) -> Iterator[None]:
        """End a trickle: a socket's own limit starts anew with each byte."""
        timer = threading.Timer(self._settings.timeout_s, _cut, (line,))
        timer.daemon = True
        timer.start()
        try:
            yield
        finally:
            timer.cancel()

    def _dial(self, host: str, port: int) -> socket.socket:
        """Resolve once and check every address: one that leads inside spoils the name."""
        found = self._look_up(host, port)
        private = self._settings.allow_private
        if not found or not all(acceptable(each, allow_private=private) for each in found):
            # Names change hands for a moment, too: nothing is dropped for that.
            raise Undelivered("the receiver's address is not a public one", retry=True)
        for address in found[:-1]:
            try:
                return self._reach(address, port)
            except OSError:
                continue
        return self._reach(found[-1], port)

    def _reach(self, address: str, port: int) -> socket.socket:
        return socket.create_connection((address, port), timeout=self._settings.timeout_s)

    def _judge(self, status: int, retry_after: str | None) -> None:
        if 200 <= status < 300:
            return
        if status == _GONE:
            raise Undelivered("answered 410: wants no more", retry=False, disable=True)
        if status in _BUSY or status >= 500:
            wait_s = _seconds(retry_after, self._now_ms())
            raise Undelivered(f"answered {status}", retry=True, retry_after_s=wait_s)
        raise Undelivered(f"answered {status}", retry=False, away=False)


def _seconds(retry_after: str | None, now_ms: int) -> float | None:
    """Read Retry-After (RFC 9110 section 10.2.3): seconds or a date; nonsense is absent."""
    if retry_after is None:
        return None
    if retry_after.strip().isdecimal():
        return float(retry_after)
    try:
        return parsedate_to_datetime(retry_after).timestamp() - now_ms / 1000
    except ValueError:
        return None


def _cut(line: socket.socket) -> None:
    # It may have ended by itself a moment ago.
    with suppress(OSError):
        line.shutdown(socket.SHUT_RDWR)
