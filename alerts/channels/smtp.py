"""Notices by mail: one message per notice, threaded by alarm, repeatable without harm."""

from __future__ import annotations

import smtplib
import ssl
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime, parseaddr
from typing import Literal

from alerts.notice import Notice, Undelivered
from models.transition import Priority

PERMANENT = 500
"""SMTP replies from here on are final, those below may pass (RFC 5321 section 4.2.1)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SmtpSettings:
    """A mail server and who is told through it.

    ``helo`` is the name this machine gives itself; empty means its own full name.
    """

    host: str
    port: int = 587
    security: Literal["none", "starttls", "tls"] = "starttls"
    username: str = ""
    password: str = field(default="", repr=False)
    sender: str
    recipients: tuple[str, ...]
    min_priority: Priority = Priority.LOW
    timeout_s: float = 20.0
    helo: str = ""

    def __post_init__(self) -> None:
        if not self.recipients:
            raise ValueError("recipients: name at least one address")
        for address in (self.sender, *self.recipients):
            if "@" not in parseaddr(address)[1] or any(sign in address for sign in "\r\n"):
                raise ValueError(f"not a mail address: {address!r}")
        if self.username and self.security == "none":
            raise ValueError("a password would go over the line in the clear: set security")


class SmtpChannel:
    """Delivers to a mail server; accepted by it is not yet read by anybody."""

    def __init__(
        self, settings: SmtpSettings, *, context: ssl.SSLContext | None = None
    ) -> None:
        self._settings = settings
        self._context = context or ssl.create_default_context()

    def deliver(self, notice: Notice) -> str:
        """Hand the mail to the server."""
        message = compose(notice, self._settings)
        try:
            refused = self._send(message)
        except smtplib.SMTPRecipientsRefused as error:
            raise _some_refused(error.recipients) from error
        except smtplib.SMTPAuthenticationError as error:
            # A wrong password is mended by a person within days, not by dropping notices.
            raise _undelivered("login refused", error, retry=True) from error
        except smtplib.SMTPResponseException as error:
            refusal = _undelivered("refused", error, retry=error.smtp_code < PERMANENT)
            raise refusal from error
        except (smtplib.SMTPException, OSError) as error:
            raise Undelivered(f"mail server away: {error}", retry=True) from error
        if any(code < PERMANENT for code, _ in refused.values()):
            raise _some_refused(refused)
        return self._told(refused)

    def _send(self, message: EmailMessage) -> dict[str, tuple[int, bytes]]:
        server = self._connect()
        try:
            return server.send_message(message, to_addrs=self._settings.recipients)
        finally:
            # What the server has taken it keeps, however it takes our leave.
            with suppress(smtplib.SMTPException, OSError):
                server.quit()
            server.close()

    def _connect(self) -> smtplib.SMTP:
        settings = self._settings
        name = settings.helo or None
        if settings.security == "tls":
            server: smtplib.SMTP = smtplib.SMTP_SSL(
                settings.host,
                settings.port,
                local_hostname=name,
                timeout=settings.timeout_s,
                context=self._context,
            )
        else:
            server = smtplib.SMTP(
                settings.host, settings.port, local_hostname=name, timeout=settings.timeout_s
            )
        try:
            if settings.security == "starttls":
                server.starttls(context=self._context)
            if settings.username:
                server.login(settings.username, settings.password)
        except BaseException:
            server.close()
            raise
        return server

    def _told(self, refused: Mapping[str, tuple[int, bytes]]) -> str:
        told = [address for address in self._settings.recipients if address not in refused]
        text = f"accepted for {', '.join(told)}"
        return f"{text}; refused for {', '.join(refused)}" if refused else text


def compose(notice: Notice, settings: SmtpSettings) -> EmailMessage:
    """Make the mail of a notice: the same on every try, so that a repeat can be told."""
    domain = parseaddr(settings.sender)[1].rpartition("@")[2]
    message = EmailMessage(policy=SMTP)
    message["From"] = settings.sender
    message["To"] = ", ".join(settings.recipients)
    message["Subject"] = " ".join(notice.subject.split())
    message["Date"] = format_datetime(datetime.fromtimestamp(notice.created_ms / 1000, tz=UTC))
    message["Message-ID"] = f"<{notice.id}@{domain}>"
    if notice.thread:
        earlier = [f"<{each}@{domain}>" for each in notice.thread]
        message["In-Reply-To"] = earlier[-1]
        message["References"] = " ".join(earlier)
    message["Auto-Submitted"] = "auto-generated"
    message.set_content(notice.body)
    return message


def _undelivered(
    what: str, error: smtplib.SMTPResponseException, *, retry: bool
) -> Undelivered:
    reply = error.smtp_error
    text = reply.decode(errors="replace") if isinstance(reply, bytes) else str(reply)
    return Undelivered(f"{what}: {error.smtp_code} {text}", retry=retry)


def _some_refused(refused: Mapping[str, tuple[int, bytes]]) -> Undelivered:
    """Classify refused recipients: one that may pass later is worth a repeat to all."""
    text = "; ".join(
        f"{address}: {code} {reply.decode(errors='replace')}"
        for address, (code, reply) in refused.items()
    )
    retry = any(code < PERMANENT for code, _ in refused.values())
    return Undelivered(f"recipient refused: {text}", retry=retry)
