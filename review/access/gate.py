"""The gate of the console: who asks, and which forms are ours."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from contextlib import suppress

from starlette.requests import Request
from starlette.responses import Response

from models.units import Units
from review.access import accounts, cookies, secret, sessions
from review.access.entrance import Came, Entrance
from review.access.passwords import Passwords
from review.access.sessions import Rules
from review.access.visitor import Visitor
from review.store import Clock, Store
from review.web import pages
from review.web.office import said
from review.web.origin import from_elsewhere

CSRF_HEADER = "x-csrf-token"
"""Where a script of ours sends what a form sends as its field ``csrf``."""


class Gate:
    """Knows people by their session; ``entrance`` begins sessions.

    Parameters
    ----------
    store
        Where accounts and sessions are.
    units
        How the fleet reads numbers.
    now_ms
        The time by which sessions end [Unix ms].
    log_ms
        The time that the audit log says [Unix ms]; another where a demonstration's day runs faster.
    uptime_ms
        A clock that never jumps [ms].
    origins
        The addresses, without path, at which the console is reached from outside.
    """

    def __init__(
        self,
        store: Store,
        *,
        units: Units,
        now_ms: Clock,
        log_ms: Clock,
        uptime_ms: Clock,
        origins: frozenset[str] = frozenset(),
        rules: Rules | None = None,
        passwords: Passwords | None = None,
    ) -> None:
        self._store = store
        self._units = units
        self.now_ms = now_ms
        self.origins = origins
        self.rules = rules or Rules()
        self.entrance = Entrance(
            store,
            now_ms=now_ms,
            log_ms=log_ms,
            uptime_ms=uptime_ms,
            rules=self.rules,
            passwords=passwords or Passwords(),
        )

    def visitor(self, request: Request) -> Visitor | None:
        """Say who asks; None: nobody who is signed in."""
        came = self.came(request)
        return None if came is None else self.visitor_of(came)

    def visitor_of(self, came: Came) -> Visitor | None:
        """Say who came; None: somebody who has still to choose a password."""
        if came.session.provisional:
            return None
        return Visitor(
            name=came.account.name,
            role=came.account.role,
            units=came.account.choice.of(self._units),
            csrf=came.session.csrf,
        )

    def came(self, request: Request) -> Came | None:
        """Give whose session this is, also of somebody who has still to choose a password."""
        token = cookies.read(request, cookies.SESSION, self.origins)
        if not token:
            return None
        with self._store.read() as conn:
            row = conn.execute(_CAME, (secret.kept(token),)).fetchone()
        if row is None:
            return None
        came = Came(
            session=sessions.session_of(row[:10]), account=accounts.account_of(row[10:])
        )
        now_ms = self.now_ms()
        if came.account.disabled_ms or not sessions.counts(came.session, now_ms, self.rules):
            return None
        if abs(now_ms - came.session.used_ms) >= sessions.TOUCH_MS:
            # A store that cannot be written to just now is no reason to show nothing.
            with suppress(sqlite3.OperationalError), self._store.write() as tx:
                sessions.touch(tx, came.session, now_ms)
        return came

    def refusal(
        self, request: Request, visitor: Visitor, form: Mapping[str, str]
    ) -> Response | None:
        """Refuse what did not come from one of our own pages; None where it did."""
        return None if self.ours(request, visitor.csrf, form) else said(403, NOT_OURS)

    def ours(self, request: Request, csrf: str, form: Mapping[str, str]) -> bool:
        """Say whether a form came from a page of ours, which alone knows the secret ``csrf``."""
        given = form.get("csrf") or request.headers.get(CSRF_HEADER, "")
        return secret.same(csrf, given) and not from_elsewhere(request, self.origins)

    def proved(self, came: Came) -> bool:
        """Say whether the password was given lately."""
        return 0 <= self.now_ms() - came.session.proved_ms < self.rules.proved_ms


_CAME = (
    f"SELECT {sessions.COLUMNS}, {accounts.COLUMNS} FROM session "  # noqa: S608 - our own columns
    "JOIN account ON account.id = session.account_id WHERE session.hash = ?"
)

NOT_OURS = pages.Message(
    title="Not from our own page",
    lines=(
        "This did not come from a page of ours that is still open in this session, so nothing was done.",
        "Open the page again and do it there.",
    ),
)
