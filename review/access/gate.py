"""The gate of the console: who asks, who comes in, and which forms are ours."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass

from starlette.requests import Request
from starlette.responses import Response

from models.units import Units
from review.access import accounts, cookies, secret, sessions
from review.access.accounts import Account
from review.access.audit import Deed, audit
from review.access.passwords import Passwords, as_typed
from review.access.sessions import Rules, Session
from review.access.throttle import Throttle, network
from review.access.visitor import Visitor
from review.store import Clock, Store
from review.web import pages
from review.web.office import said
from review.web.origin import from_elsewhere

CSRF_HEADER = "x-csrf-token"
"""Where a script of ours sends what a form sends as its field ``csrf``."""


KNOWN = 8
"""For so many accounts one browser is known: those who share a tablet."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Came:
    """Whose session a request belongs to."""

    session: Session
    account: Account


@dataclass(frozen=True, slots=True, kw_only=True)
class Try:
    """Somebody who wants to come in; ``known``: what its cookie says of the browser, for each account."""

    name: str
    password: str
    known: tuple[str, ...] = ()
    browser: str = ""
    address: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Passed:
    """Somebody came in: the tokens of the session and of the browser, the newest first."""

    session: str
    known: tuple[str, ...]
    provisional: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Failed:
    """Nobody came in: the name or the password is wrong, the account disabled, the one-time password too old.

    Which of them is said to nobody. ``wait_ms``: not even looked at, for so long.
    """

    wait_ms: int = 0


class Gate:
    """Knows people by their session, and begins sessions.

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
        self._log_ms = log_ms
        self._uptime_ms = uptime_ms
        self._throttle = Throttle()
        self.now_ms = now_ms
        self.origins = origins
        self.rules = rules or Rules()
        self.passwords = passwords or Passwords()

    def visitor(self, request: Request) -> Visitor | None:
        """Say who asks; None: nobody who is signed in."""
        came = self.came(request)
        if came is None or came.session.provisional:
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

    def sign_in(self, wants: Try) -> Passed | Failed:
        """Let somebody in, or not.

        Raises
        ------
        review.access.passwords.Busy
            Too many are at it.
        """
        account, known = self._knows(wants)
        keys = _keys(account, wants, known)
        wait_ms = self._admitted(keys)
        if wait_ms:
            return Failed(wait_ms=wait_ms)
        given = as_typed(wants.password) if account and account.one_time else wants.password
        fits = self.passwords.fits(account.password if account else None, given)
        if account is None or not fits or not account.opens(self.now_ms()):
            self._fail(account, wants.address)
            return Failed()
        self._throttle.forgive(keys)
        if self.passwords.outdated(account.password):
            self._keep_better(account, given)
        return self._begin(account, wants, known)

    def prove(self, came: Came, password: str, address: str) -> str | Failed:
        """Take the password once more; give the token under which the session goes on.

        Raises
        ------
        review.access.passwords.Busy
            Too many are at it.
        """
        if (failed := self.check(came, password, address)) is not None:
            return failed
        with self._store.write() as tx:
            token = sessions.prove(tx, came.session, self.now_ms())
            self.note(tx, came.account.name, Deed.PROVED, address=address)
        return token

    def check(self, came: Came, password: str, address: str) -> Failed | None:
        """Look whether this is the password of whoever is signed in; None: it is.

        Raises
        ------
        review.access.passwords.Busy
            Too many are at it.
        """
        key = ("session", came.session.id)
        wait_ms = self._throttle.admit(ours=[key], strangers=[], uptime_ms=self._uptime_ms())
        if wait_ms:
            return Failed(wait_ms=wait_ms)
        if not self.passwords.fits(came.account.password, password):
            self._fail(came.account, address)
            return Failed()
        self._throttle.forgive([key])
        return None

    def choose_password(self, came: Came, password: str, address: str) -> str:
        """Keep a password that somebody chose; give the token of the session that goes on, alone."""
        kept = self.passwords.keep(password)
        now_ms = self.now_ms()
        with self._store.write() as tx:
            accounts.set_password(tx, came.account, kept, now_ms=now_ms)
            token = sessions.begin(
                tx,
                came.account.id,
                self.rules,
                now_ms=now_ms,
                browser=came.session.browser,
                address=address,
            )
            self.note(tx, came.account.name, Deed.PASSWORD_CHANGED, address=address)
        return token

    def note(
        self, tx: sqlite3.Connection, who: str, what: Deed, about: str = "", address: str = ""
    ) -> None:
        """Write in the audit log."""
        audit(tx, who, what, about, now_ms=self._log_ms(), address=address)

    def _knows(self, wants: Try) -> tuple[Account | None, str]:
        """Find the account, and the token by which this browser is known for it."""
        with self._store.read() as conn:
            account = accounts.found(conn, wants.name)
            if account is None:
                return None, ""
            tokens = (each for each in wants.known if sessions.known(conn, each, account.id))
            return account, next(tokens, "")

    def _admitted(self, keys: list[tuple[str, str]]) -> int:
        ours = [key for key in keys if key[0] in ("account", "browser")]
        strangers = [key for key in keys if key not in ours]
        return self._throttle.admit(ours=ours, strangers=strangers, uptime_ms=self._uptime_ms())

    def _fail(self, account: Account | None, address: str) -> None:
        # A name that we do not know is not written down: it may be a password in the wrong field.
        with self._store.write() as tx:
            who = account.name if account else "somebody unknown"
            self.note(tx, who, Deed.NOT_SIGNED_IN, address=address)

    def _keep_better(self, account: Account, password: str) -> None:
        kept = self.passwords.keep(password)
        with self._store.write() as tx:
            accounts.keep_better(tx, account, kept)

    def _begin(self, account: Account, wants: Try, known: str) -> Passed:
        now_ms = self.now_ms()
        with self._store.write() as tx:
            sessions.sweep(tx, now_ms, self.rules)
            if known:
                sessions.forget(tx, known)
            token = sessions.begin(
                tx,
                account.id,
                self.rules,
                now_ms=now_ms,
                provisional=account.one_time,
                browser=wants.browser,
                address=wants.address,
            )
            newest = sessions.know(tx, account.id, now_ms)
            self.note(tx, account.name, Deed.SIGNED_IN, address=wants.address)
        others = (each for each in wants.known if each != known)
        tokens = (newest, *others)[:KNOWN]
        return Passed(session=token, known=tokens, provisional=account.one_time)


_CAME = (
    f"SELECT {sessions.COLUMNS}, {accounts.COLUMNS} FROM session "  # noqa: S608 - our own columns
    "JOIN account ON account.id = session.account_id WHERE session.hash = ?"
)


def _keys(account: Account | None, wants: Try, known: str) -> list[tuple[str, str]]:
    """Give by what a try counts."""
    if account is None:
        name = accounts.key_of(wants.name)[: accounts.NAME_LENGTH]
        return [("name", name), ("address", network(wants.address))]
    if known:
        return [("browser", f"{account.id} {secret.kept(known).hex()}")]
    return [("account", str(account.id)), ("address", network(wants.address))]


NOT_OURS = pages.Message(
    title="Not from our own page",
    lines=(
        "This did not come from a page of ours that is still open in this session, so nothing was done.",
        "Open the page again and do it there.",
    ),
)
