"""Notices through the many chat, push and text-message services that the library apprise speaks to.

The library says whether a service took a message, not why it did not; the reason is read from what
it notes, of which only the HTTP status is passed on: its notes may hold parts of the address.
"""

from __future__ import annotations

import logging
import re
import warnings
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache
from types import ModuleType
from typing import Any, Literal
from urllib.parse import quote

from alerts.alarm import OVER
from alerts.channels.way_out import held
from alerts.notice import Notice, Undelivered
from models.transition import Priority

PERSON = "{to}"
"""Stands in the address where a person's own goes."""

_SOMEBODY = "+15550100000"
"""Stands for a person's address while the settings are checked."""

MOST = 4_000
"""Signs of a full form: what most chats take in one or two messages (from memory). A bundle of hundreds
of alarms is cut after a whole line, and says so."""

_STATUS = re.compile(r"\berror=(\d{3})\b")
_LATER = frozenset({401, 403, 408, 425, 429})
"""Wrong credentials are mended by a person within days; the others say "later" (RFC 9110, RFC 6585)."""

_INSIDE = "the relay's address is not a public one; set allow_private = true if that is meant"


@dataclass(frozen=True, slots=True, kw_only=True)
class RelaySettings:
    """A service, by the address that the library knows it by.

    With ``{to}`` in it the address reaches people, each by their own; without, whoever it names.
    ``form``: one text message (short), or everything (full). ``allow_private`` admits services in the own
    network and on this machine, and those that run another program.
    """

    url: str = field(repr=False)
    form: Literal["short", "full"] = "full"
    allow_private: bool = False
    min_priority: Priority = Priority.LOW

    def __post_init__(self) -> None:
        if _service(self.to(_SOMEBODY)) is None:
            raise ValueError("url: not the address of a service that is known here")

    @property
    def personal(self) -> bool:
        """Whether it reaches people by addresses of their own."""
        return PERSON in self.url

    def to(self, address: str) -> str:
        """Give the service's address with a person's in it; no sign of that can steer the rest.

        What is longer than the service takes goes in several messages, unless the url says otherwise.
        """
        url = self.url.replace(PERSON, quote(address, safe=""))
        how = "" if "overflow=" in url else f"{'&' if '?' in url else '?'}overflow=split"
        return f"{url}{how}"


class RelayChannel:
    """Hands each notice to one service."""

    bundles = True

    def __init__(self, settings: RelaySettings) -> None:
        self._settings = settings

    def deliver(self, notice: Notice) -> str:
        """Hand the notice to the service; taken by it is not yet read by anybody."""
        address = notice.recipient.address if notice.recipient else ""
        if fault := bad_address(self._settings, address) if self._settings.personal else None:
            raise Undelivered(fault, retry=False, away=False)
        relay = _library().Apprise(asset=_asset())
        relay.add(_service(self._settings.to(address)))
        short = self._settings.form == "short"
        with held(allow_private=self._settings.allow_private) as hold:
            result = relay.notify(
                title="" if short else notice.subject,
                body=notice.short if short else bounded(notice.body),
                body_format="text",
                notify_type=_tone(notice),
            )
        if hold.refused:
            # A person mends the settings within days; names change hands for a moment, too.
            raise Undelivered(_INSIDE, retry=True)
        if not result:
            raise _undelivered(list(_statuses(result)))
        return "the service took it"


def bad_address(settings: RelaySettings, address: str) -> str | None:
    """Say what is wrong with a person's address for this service, None where nothing is."""
    if not settings.personal:
        return "this relay reaches whom its url names; write {to} into it for people's own addresses"
    service = _service(settings.to(address)) if address.strip() else None
    # The library drops a number that is none and keeps an address without anybody to reach.
    if service is None or getattr(service, "targets", None) == []:
        return f"not an address that this service can reach: {address!r}"
    return None


def bounded(text: str) -> str:
    """Keep the whole lines that fit."""
    if len(text) <= MOST:
        return text
    lines = text[:MOST].split("\n")[:-1]
    left = text.count("\n") - len(lines)
    return "\n".join([*lines, f"... and {left} more lines: see 'heatbook alarms list'."])


def _statuses(result: Any) -> Iterator[int]:
    for service in result:
        for entry in service.logs():
            for found in _STATUS.findall(entry.message):
                yield int(found)


def _undelivered(statuses: list[int]) -> Undelivered:
    if not statuses:
        return Undelivered("the service did not take it, or is away", retry=True)
    status = statuses[-1]
    passes = status in _LATER or status >= 500
    return Undelivered(f"the service answered {status}", retry=passes, away=passes)


def _tone(notice: Notice) -> str:
    """Give the colour or sign that some services show beside a message, in the library's words."""
    if not notice.items:
        return "info"
    if all(item.matter in OVER for item in notice.items):
        return "success"
    return "failure" if notice.priority >= Priority.HIGH else "warning"


@cache
def _library() -> ModuleType:
    """Load the library: only where a relay is set up, for its services cost 2 s and 30 MB."""
    with warnings.catch_warnings():
        # It uses modules that the language is about to drop.
        warnings.simplefilter("ignore", DeprecationWarning)
        import apprise  # noqa: PLC0415 - see above

        apprise.Apprise.instantiate("json://localhost")  # loads the services
    # What it notes may hold parts of an address.
    logging.getLogger("apprise").propagate = False
    return apprise


@cache
def _asset() -> Any:
    asset = _library().AppriseAsset(storage_mode="memory", secure_logging=True)
    asset.app_id = "Heatbook"
    asset.app_desc = "Heatbook"
    asset.app_url = ""
    asset.async_mode = False
    asset.http_redirects = False
    asset.image_url_mask = asset.image_url_logo = ""  # else pictures from elsewhere
    return asset


def _service(url: str) -> Any:
    """Give the service that an address speaks of, None where there is none."""
    return _library().Apprise.instantiate(url, asset=_asset())
