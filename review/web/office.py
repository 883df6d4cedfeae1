"""What the pages of the web server work with, and what they say to a link that is none."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import structlog
from starlette.requests import Request
from starlette.responses import HTMLResponse

from alerts import links
from alerts.links import BadLink, Fault, Links
from alerts.teller import Teller
from review.store import Clock, Store
from review.web import pages
from review.web.strangers import MOST, WINDOW_MS, Strangers

log = structlog.get_logger()


@dataclass(frozen=True, slots=True, kw_only=True)
class Caller:
    """A person as a page needs them: what they are called, and how they are told."""

    name: str
    teller: Teller


@dataclass(frozen=True, slots=True, kw_only=True)
class Office:
    """What all pages share.

    ``origins``: the addresses, without path, at which the site is reached from outside. ``caller``
    gives a person by their key, None for one who is not in the file any more; ``teller`` is for whom no
    person is known.
    """

    database: Store
    now_ms: Clock
    lifetime_ms: int
    teller: Teller
    caller: Callable[[str], Caller | None]
    uptime_ms: Clock
    origins: frozenset[str] = frozenset()
    strangers: Strangers = field(default_factory=Strangers)

    def links(self, conn: sqlite3.Connection) -> Links:
        """Give what reads links, by the keys as they are now."""
        return Links(keys=links.load_keys(conn), lifetime_ms=self.lifetime_ms)

    def refuse(self, request: Request, error: BadLink) -> HTMLResponse:
        """Answer a link that is not taken; who sends many is asked to wait."""
        if error.fault is Fault.EXPIRED:
            return said(410, _EXPIRED)
        address = request.client.host if request.client else ""
        tries = self.strangers.count(address, self.uptime_ms())
        if tries <= MOST:
            return said(404, _REFUSED[error.fault])
        if tries == MOST + 1:
            log.warning("links.guessed", address=address)
        return said(429, _SLOWER, {"Retry-After": str(WINDOW_MS // 1000)})


def said(
    status: int, page: pages.Page, headers: Mapping[str, str] | None = None
) -> HTMLResponse:
    """Answer with a page."""
    return HTMLResponse(pages.written(page), status, headers)


_EXPIRED = pages.Message(
    title="This link is too old",
    lines=(
        "A link in a notice is taken for a while only, and that time is over.",
        "If the alarm still stands, a newer notice has a link that works.",
    ),
)
_REFUSED = {
    Fault.BROKEN: pages.Message(
        title="This link does not work",
        lines=(
            "It was cut off or changed on its way, or its key was changed since.",
            "Open it from the notice itself, or copy all of it: it ends where the line's last sign stands.",
        ),
    ),
    Fault.OTHER_PURPOSE: pages.Message(
        title="This link is for something else",
        lines=(
            "It is sound, but it was made for another page.",
            "Open it from where it stands.",
        ),
    ),
}
_SLOWER = pages.Message(
    title="Too many bad links", lines=("Wait a minute, then open the link from the notice.",)
)
