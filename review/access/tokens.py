"""Keys of programs: what each may do is said when it is made, and it is shown once."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from models.units import Units
from review.access import secret
from review.access.visitor import Role, Visitor
from review.problems import Mistake
from review.store import Store

PREFIX = "heatbook_"
"""What every token begins with: one that was published by mistake is found by it."""

TOUCH_MS = 600_000
"""When a token was last used is written down no more often than this [ms]."""

NAME_LENGTH = 60
"""The longest name [characters]."""


class Scope(StrEnum):
    """What a token may do; every one may read."""

    READ = "read"
    RECORD = "record"
    ACKNOWLEDGE = "acknowledge"


SCOPE_WORDS = {
    Scope.READ: "read everything but accounts",
    Scope.RECORD: "enter services in the record",
    Scope.ACKNOWLEDGE: "acknowledge alarms and shelve them",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Token:
    """A token as it is kept; when it ends, None: not by itself."""

    id: int
    name: str
    scopes: frozenset[Scope]
    made_by: str
    made_ms: int
    used_ms: int | None
    ends_ms: int | None
    revoked_ms: int | None
    revoked_by: str | None

    def counts(self, now_ms: int) -> bool:
        """Say whether it opens anything."""
        return self.revoked_ms is None and (self.ends_ms is None or now_ms < self.ends_ms)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bearer:
    """Whoever came with a token."""

    visitor: Visitor
    scopes: frozenset[Scope]
    key: int
    used_ms: int | None

    def may(self, scope: Scope) -> bool:
        """Say whether the token is for this."""
        return scope in self.scopes


def make(
    tx: sqlite3.Connection,
    name: str,
    scopes: Iterable[Scope],
    *,
    by: str,
    now_ms: int,
    ends_ms: int | None,
) -> str:
    """Make a token and give it: nothing can show it again.

    Raises
    ------
    review.problems.Mistake
        It has no name, or one that another has.
    """
    name = " ".join(name.split())
    if not name or len(name) > NAME_LENGTH or not name.isprintable():
        raise Mistake(f"name the token by what uses it, in 1 to {NAME_LENGTH} characters")
    if any(each.name == name and each.counts(now_ms) for each in listed(tx)):
        raise Mistake(f"there is a token named {name!r}; revoke it, or choose another name")
    made = PREFIX + secret.fresh()
    tx.execute(
        "INSERT INTO api_token (name, hash, scopes, made_by, made_ms, ends_ms) "
        "VALUES (?, ?, ?, ?, ?, ?)",
        (name, secret.kept(made), _written({*scopes, Scope.READ}), by, now_ms, ends_ms),
    )
    return made


def listed(conn: sqlite3.Connection) -> tuple[Token, ...]:
    """Give all tokens there ever were, newest first."""
    rows = conn.execute(f"SELECT {_COLUMNS} FROM api_token ORDER BY id DESC")  # noqa: S608 - ours
    return tuple(map(_token, rows))


def revoke(tx: sqlite3.Connection, key: int, *, by: str, now_ms: int) -> Token | None:
    """Let a token open nothing any more; give it, None where there is none that does."""
    row = tx.execute(
        "UPDATE api_token SET revoked_ms = ?, revoked_by = ? "  # noqa: S608 - our own columns
        f"WHERE id = ? AND revoked_ms IS NULL RETURNING {_COLUMNS}",
        (now_ms, by, key),
    ).fetchone()
    return None if row is None else _token(row)


def bearer(
    conn: sqlite3.Connection, header: str | None, now_ms: int, units: Units
) -> Bearer | None:
    """Say who came with this ``Authorization`` header (RFC 6750, section 2.1); None: nobody we know."""
    scheme, _, given = (header or "").strip().partition(" ")
    if scheme.lower() != "bearer" or not given.startswith(PREFIX):
        return None
    row = conn.execute(
        f"SELECT {_COLUMNS} FROM api_token WHERE hash = ?",  # noqa: S608 - our own columns
        (secret.kept(given.strip()),),
    ).fetchone()
    if row is None or not (token := _token(row)).counts(now_ms):
        return None
    acts = bool(token.scopes & {Scope.RECORD, Scope.ACKNOWLEDGE})
    visitor = Visitor(
        name=f"{token.name} (token)",
        role=Role.TECHNICIAN if acts else Role.VIEWER,
        units=units,
    )
    return Bearer(visitor=visitor, scopes=token.scopes, key=token.id, used_ms=token.used_ms)


def used(store: Store, came: Bearer, now_ms: int) -> None:
    """Write down that a token was used, now and then."""
    if came.used_ms is not None and abs(now_ms - came.used_ms) < TOUCH_MS:
        return
    with store.write() as tx:
        tx.execute("UPDATE api_token SET used_ms = ? WHERE id = ?", (now_ms, came.key))


_COLUMNS = "id, name, scopes, made_by, made_ms, used_ms, ends_ms, revoked_ms, revoked_by"


def _token(
    row: tuple[int, str, str, str, int, int | None, int | None, int | None, str | None],
) -> Token:
    key, name, scopes, made_by, made_ms, used_ms, ends_ms, revoked_ms, revoked_by = row
    known = {scope.value: scope for scope in Scope}
    return Token(
        id=key,
        name=name,
        scopes=frozenset(known[each] for each in scopes.split() if each in known),
        made_by=made_by,
        made_ms=made_ms,
        used_ms=used_ms,
        ends_ms=ends_ms,
        revoked_ms=revoked_ms,
        revoked_by=revoked_by,
    )


def _written(scopes: Iterable[Scope]) -> str:
    return " ".join(sorted(scope.value for scope in scopes))
