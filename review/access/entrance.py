"""Coming in: a password is compared, a session begins; and giving the password once more."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from review.access import accounts, secret, sessions
from review.access.accounts import Account
from review.access.audit import Deed, audit
from review.access.passwords import Passwords, as_typed
from review.access.sessions import Rules, Session
from review.access.throttle import Throttle, network
from review.store import Clock, Store

KNOWN = 8
"""For so many accounts one browser is known: those who share a tablet."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Came:
    """Whose session a request belongs to."""

    session: Session
    account: Account


@dataclass(frozen=True, slots=True, kw_only=True)
class Try:
    """Somebody who wants to come in.

    ``known``: what its cookie says of the browser, for each account; ``session``: the token it still has.
    """

    name: str
    password: str
    known: tuple[str, ...] = ()
    session: str = ""
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


class Entrance:
    """Begins sessions; of the clocks :class:`review.access.gate.Gate` says what each is for."""

    def __init__(
        self,
        store: Store,
        *,
        now_ms: Clock,
        log_ms: Clock,
        uptime_ms: Clock,
        rules: Rules,
        passwords: Passwords,
    ) -> None:
        self._store = store
        self._now_ms = now_ms
        self._log_ms = log_ms
        self._uptime_ms = uptime_ms
        self._rules = rules
        self._throttle = Throttle()
        self.passwords = passwords

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
        if account is None or not fits or not account.opens(self._now_ms()):
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
            token = sessions.prove(tx, came.session, self._now_ms())
            self._note(tx, came.account.name, Deed.PROVED, address=address)
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
        now_ms = self._now_ms()
        with self._store.write() as tx:
            accounts.set_password(tx, came.account, kept, now_ms=now_ms)
            token = sessions.begin(
                tx,
                came.account.id,
                self._rules,
                now_ms=now_ms,
                browser=came.session.browser,
                address=address,
            )
            self._note(tx, came.account.name, Deed.PASSWORD_CHANGED, address=address)
        return token

    def _note(
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
            told = wants.known[:KNOWN]  # a cookie is foreign text: it may hold thousands
            tokens = (each for each in told if sessions.known(conn, each, account.id))
            return account, next(tokens, "")

    def _admitted(self, keys: list[tuple[str, str]]) -> int:
        ours = [key for key in keys if key[0] in ("account", "browser")]
        strangers = [key for key in keys if key not in ours]
        return self._throttle.admit(ours=ours, strangers=strangers, uptime_ms=self._uptime_ms())

    def _fail(self, account: Account | None, address: str) -> None:
        # A name that we do not know is not written down: it may be a password in the wrong field.
        with self._store.write() as tx:
            who = account.name if account else "somebody unknown"
            self._note(tx, who, Deed.NOT_SIGNED_IN, address=address)

    def _keep_better(self, account: Account, password: str) -> None:
        kept = self.passwords.keep(password)
        with self._store.write() as tx:
            accounts.keep_better(tx, account, kept)

    def _begin(self, account: Account, wants: Try, known: str) -> Passed:
        now_ms = self._now_ms()
        with self._store.write() as tx:
            sessions.sweep(tx, now_ms, self._rules)
            if known:
                sessions.forget(tx, known)
            # The browser keeps the new token alone: nobody could sign out of the old session any more.
            sessions.replaced(tx, wants.session)
            token = sessions.begin(
                tx,
                account.id,
                self._rules,
                now_ms=now_ms,
                provisional=account.one_time,
                browser=wants.browser,
                address=wants.address,
            )
            newest = sessions.know(tx, account.id, now_ms)
            self._note(tx, account.name, Deed.SIGNED_IN, address=wants.address)
        others = (each for each in wants.known if each != known)
        tokens = (newest, *others)[:KNOWN]
        return Passed(session=token, known=tokens, provisional=account.one_time)


def _keys(account: Account | None, wants: Try, known: str) -> list[tuple[str, str]]:
    """Give by what a try counts."""
    if account is None:
        name = accounts.key_of(wants.name)[: accounts.NAME_LENGTH]
        return [("name", name), ("address", network(wants.address))]
    if known:
        return [("browser", f"{account.id} {secret.kept(known).hex()}")]
    return [("account", str(account.id)), ("address", network(wants.address))]
