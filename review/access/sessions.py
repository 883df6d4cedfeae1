"""Sessions: kept here, known to a browser by a random token alone."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from typing import Any

from review.access import secret

TOUCH_MS = 300_000
"""When a session was last used is written down no more often than this [ms]."""

AHEAD_MS = 3 * 86_400_000
"""How much longer a session may last because the clock was set back [ms]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """How long sessions last [ms]: unused, at most, and after the password was given for what asks for it.

    A session of somebody who has still to choose a password lasts as long as that last one.
    """

    idle_ms: int = 24 * 3_600_000
    longest_ms: int = 30 * 86_400_000
    proved_ms: int = 15 * 60_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """A session; while it is ``provisional`` nothing can be done in it but to choose a password."""

    id: int
    account_id: int
    csrf: str
    made_ms: int
    proved_ms: int
    used_ms: int
    ends_ms: int
    provisional: bool
    browser: str
    address: str


COLUMNS = (
    "session.id, session.account_id, session.csrf, session.made_ms, session.proved_ms, "
    "session.used_ms, session.ends_ms, session.provisional, session.browser, session.address"
)


def session_of(row: tuple[Any, ...]) -> Session:
    """Read a session from its ``COLUMNS``."""
    key, account_id, csrf, made, proved, used, ends, provisional, browser, address = row
    return Session(
        id=key,
        account_id=account_id,
        csrf=csrf,
        made_ms=made,
        proved_ms=proved,
        used_ms=used,
        ends_ms=ends,
        provisional=bool(provisional),
        browser=browser,
        address=address,
    )


def begin(
    tx: sqlite3.Connection,
    account_id: int,
    rules: Rules,
    *,
    now_ms: int,
    provisional: bool = False,
    browser: str = "",
    address: str = "",
) -> str:
    """Begin a session and give its token."""
    token = secret.fresh()
    lasts_ms = rules.proved_ms if provisional else rules.longest_ms
    tx.execute(
        "INSERT INTO session (hash, account_id, csrf, made_ms, proved_ms, used_ms, ends_ms, "
        "provisional, browser, address) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            secret.kept(token),
            account_id,
            secret.fresh(),
            now_ms,
            now_ms,
            now_ms,
            now_ms + lasts_ms,
            int(provisional),
            browser[:200],
            address,
        ),
    )
    return token


def counts(session: Session, now_ms: int, rules: Rules) -> bool:
    """Say whether a session is neither too old nor too long unused.

    One that was begun by a clock far ahead, which has been set right since, would last as much longer.
    """
    if not now_ms < session.ends_ms <= now_ms + rules.longest_ms + AHEAD_MS:
        return False
    return now_ms - session.used_ms < rules.idle_ms


def touch(tx: sqlite3.Connection, session: Session, now_ms: int) -> None:
    """Write down that a session is used."""
    tx.execute("UPDATE session SET used_ms = ? WHERE id = ?", (now_ms, session.id))


def prove(tx: sqlite3.Connection, session: Session, now_ms: int) -> str:
    """Write down that the password was given again; the session goes on under the token that this gives."""
    token = secret.fresh()
    tx.execute(
        "UPDATE session SET hash = ?, csrf = ?, proved_ms = ?, used_ms = ? WHERE id = ?",
        (secret.kept(token), secret.fresh(), now_ms, now_ms, session.id),
    )
    return token


def end(tx: sqlite3.Connection, session_id: int, account_id: int) -> bool:
    """End one session of an account; false where it has no such one."""
    done = tx.execute(
        "DELETE FROM session WHERE id = ? AND account_id = ?", (session_id, account_id)
    )
    return done.rowcount > 0


def replaced(tx: sqlite3.Connection, token: str) -> None:
    """End the session of a browser in which somebody signs in anew, whosever it is."""
    tx.execute("DELETE FROM session WHERE hash = ?", (secret.kept(token),))


def end_all(tx: sqlite3.Connection, account_id: int, *, but: int | None = None) -> int:
    """End all sessions of an account, ``but`` one; give how many."""
    tx.execute("DELETE FROM known_browser WHERE account_id = ?", (account_id,))
    done = tx.execute(
        "DELETE FROM session WHERE account_id = ? AND id IS NOT ?", (account_id, but)
    )
    return done.rowcount


def sweep(tx: sqlite3.Connection, now_ms: int, rules: Rules) -> None:
    """Throw away what counts no more, and browsers not seen for as long as a year."""
    tx.execute(
        "DELETE FROM session WHERE ends_ms <= ? OR used_ms <= ? OR ends_ms > ?",
        (now_ms, now_ms - rules.idle_ms, now_ms + rules.longest_ms + AHEAD_MS),
    )
    tx.execute("DELETE FROM known_browser WHERE seen_ms <= ?", (now_ms - BROWSER_MS,))


def listed(conn: sqlite3.Connection, now_ms: int, rules: Rules) -> tuple[Session, ...]:
    """Give all sessions that count, the one used last first."""
    rows = conn.execute(
        f"SELECT {COLUMNS} FROM session WHERE provisional = 0 ORDER BY used_ms DESC, id DESC"  # noqa: S608
    )
    found = map(session_of, rows)
    return tuple(each for each in found if counts(each, now_ms, rules))


BROWSER_MS = 365 * 86_400_000
"""So long a browser is known by which somebody signed in [ms]."""


def know(tx: sqlite3.Connection, account_id: int, now_ms: int) -> str:
    """Know a browser from now on by the token that this gives."""
    token = secret.fresh()
    tx.execute(
        "INSERT INTO known_browser VALUES (?, ?, ?)", (secret.kept(token), account_id, now_ms)
    )
    return token


def known(conn: sqlite3.Connection, token: str, account_id: int) -> bool:
    """Say whether somebody signed in to this account with this browser before."""
    row = conn.execute(
        "SELECT 1 FROM known_browser WHERE hash = ? AND account_id = ?",
        (secret.kept(token), account_id),
    ).fetchone()
    return row is not None


def forget(tx: sqlite3.Connection, token: str) -> None:
    """Know a browser no more: its token was given anew."""
    tx.execute("DELETE FROM known_browser WHERE hash = ?", (secret.kept(token),))
