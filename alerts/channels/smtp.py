"""Notices by mail: handed to a mail server, to a person of their own or to the section's list."""

from __future__ import annotations

import smtplib
import ssl
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from email.utils import parseaddr
from typing import Literal

from alerts.channels.mail import compose, fault_of
from alerts.channels.way_out import held
from alerts.notice import Notice, Undelivered
from models.transition import Priority

PERMANENT = 500
"""SMTP replies from here on are final, those below may pass (RFC 5321 section 4.2.1)."""

CLOSING, TOO_BIG = 421, 552
"""The server goes away (RFC 5321 section 4.2.2); the mail is bigger than it takes (RFC 1870 section 6)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SmtpSettings:
    """A mail server and who is told through it: ``recipients`` of all notices, beside people of their own.

    ``helo`` is the name this machine gives itself; empty means its own full name.
    """

    host: str
    port: int = 587
    security: Literal["none", "starttls", "tls"] = "starttls"
    username: str = ""
    password: str = field(default="", repr=False)
    sender: str
    recipients: tuple[str, ...] = ()
    min_priority: Priority = Priority.LOW
    timeout_s: float = 20.0
    helo: str = ""

    def __post_init__(self) -> None:
        for address in (self.sender, *self.recipients):
            if fault := fault_of(address):
                raise ValueError(fault)
        if self.username and self.security == "none":
            raise ValueError("a password would go over the line in the clear: set security")


class SmtpChannel:
    """Delivers to a mail server; accepted by it is not yet read by anybody."""

    bundles = True

    def __init__(
        self, settings: SmtpSettings, *, context: ssl.SSLContext | None = None
    ) -> None:
        self._settings = settings
        self._context = context or ssl.create_default_context()

    def deliver(self, notice: Notice) -> str:
        """Hand the mail to the server."""
        to = self._recipients(notice)
        message = compose(notice, sender=self._settings.sender, recipients=to)
        with self._connected() as server:
            try:
                refused = server.send_message(message, to_addrs=to)
            except smtplib.SMTPException as error:
                raise _classified(error) from error
            except OSError as error:
                raise _away(error) from error
        if any(code < PERMANENT for code, _ in refused.values()):
            raise _some_refused(refused)
        return _told(to, refused)

    def _recipients(self, notice: Notice) -> tuple[str, ...]:
        one = notice.recipient
        to = self._settings.recipients if one is None else (parseaddr(one.address)[1],)
        fault = None if to else "nobody to send to: set recipients"
        if fault := fault or (None if one is None else fault_of(one.address)):
            raise Undelivered(fault, retry=False, away=False)
        return to

    @contextmanager
    def _connected(self) -> Iterator[smtplib.SMTP]:
        """Connect; whatever fails here would fail for every notice."""
        try:
            # Mail servers stand in the own network; no name of one shall lead to a cloud's credentials.
            with held(allow_private=True):
                server = self._connect()
        except smtplib.SMTPAuthenticationError as error:
            # A wrong password is mended by a person within days, not by dropping notices.
            raise Undelivered(f"login refused: {_reply(error)}", retry=True) from error
        except (smtplib.SMTPException, OSError) as error:
            raise _away(error) from error
        try:
            yield server
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


def _told(to: tuple[str, ...], refused: Mapping[str, tuple[int, bytes]]) -> str:
    text = f"accepted for {', '.join(each for each in to if each not in refused)}"
    return f"{text}; refused for {', '.join(refused)}" if refused else text


def _classified(error: smtplib.SMTPException) -> Undelivered:
    """Tell the server's trouble from that of this mail or its reader."""
    match error:
        case smtplib.SMTPRecipientsRefused():
            return _some_refused(error.recipients)
        case smtplib.SMTPNotSupportedError():
            # An address or a header in letters that this server cannot carry.
            return Undelivered(f"refused: {error}", retry=False, away=False)
        case smtplib.SMTPSenderRefused() if error.smtp_code != TOO_BIG:
            # Nobody's mail would leave by this sender: a person has to mend the settings.
            return Undelivered(f"sender refused: {_reply(error)}", retry=True)
        case smtplib.SMTPResponseException() if not isinstance(error, smtplib.SMTPHeloError):
            code = error.smtp_code
            reason = f"refused: {_reply(error)}"
            return Undelivered(reason, retry=code < PERMANENT, away=code == CLOSING)
        case _:
            return _away(error)


def _some_refused(refused: Mapping[str, tuple[int, bytes]]) -> Undelivered:
    """Classify refused recipients: one that may pass later is worth a repeat to all."""
    text = "; ".join(
        f"{address}: {code} {reply.decode(errors='replace')}"
        for address, (code, reply) in refused.items()
    )
    codes = {code for code, _ in refused.values()}
    retry = any(code < PERMANENT for code in codes)
    return Undelivered(f"recipient refused: {text}", retry=retry, away=CLOSING in codes)


def _away(error: Exception) -> Undelivered:
    return Undelivered(f"mail server away: {error}", retry=True)


def _reply(error: smtplib.SMTPResponseException) -> str:
    reply = error.smtp_error
    text = reply.decode(errors="replace") if isinstance(reply, bytes) else str(reply)
    return f"{error.smtp_code} {text}"
