"""Accounts: who may sign in, as what, and how they read numbers.

Whatever takes something away from an account counts with the next request: role and state are read anew
each time, and sessions end in the same transaction.
"""

from __future__ import annotations

import sqlite3
import unicodedata
from dataclasses import dataclass, replace
from typing import Any, Literal

from models.units import Units
from review.access import sessions
from review.access.visitor import Role
from review.problems import Mistake, nearest

NAME_LENGTH = 40
"""The longest name [characters]."""

FIRST = "manager"
"""What the account is called that is made where there is none."""

ROLES = {role.name.lower(): role for role in Role}
"""Roles as people write them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """How somebody reads numbers; None: as the fleet does."""

    temperature: Literal["C", "F"] | None = None
    distance: Literal["km", "mi"] | None = None
    volume: Literal["L", "qt"] | None = None

    def of(self, fleet: Units) -> Units:
        """Give the units of somebody in a fleet."""
        return replace(
            fleet,
            temperature=self.temperature or fleet.temperature,
            distance=self.distance or fleet.distance,
            volume=self.volume or fleet.volume,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """An account; ``one_time_until_ms``: its password is a one-time one, and taken until then."""

    id: int
    name: str
    role: Role
    password: str
    one_time_until_ms: int | None
    choice: Choice
    made_ms: int
    changed_ms: int
    disabled_ms: int | None

    @property
    def one_time(self) -> bool:
        """Whether a password of its own is still to be chosen."""
        return self.one_time_until_ms is not None

    def opens(self, now_ms: int) -> bool:
        """Say whether the right password lets somebody in."""
        in_time = self.one_time_until_ms is None or now_ms < self.one_time_until_ms
        return self.disabled_ms is None and in_time

    def state(self, now_ms: int) -> str:
        """Say how it stands; empty where all is as usual."""
        if self.disabled_ms is not None:
            return "disabled"
        if self.one_time_until_ms is None:
            return ""
        return "password not chosen yet" if self.opens(now_ms) else "one-time password too old"


COLUMNS = (
    "account.id, account.name, account.role, account.password, account.one_time_until_ms, "
    "account.temperature, account.distance, account.volume, account.made_ms, account.changed_ms, "
    "account.disabled_ms"
)


def account_of(row: tuple[Any, ...]) -> Account:
    """Read an account from its ``COLUMNS``."""
    key, name, role, password, until, temperature, distance, volume, made, changed, off = row
    return Account(
        id=key,
        name=name,
        role=Role(role),
        password=password,
        one_time_until_ms=until,
        choice=Choice(temperature=temperature, distance=distance, volume=volume),
        made_ms=made,
        changed_ms=changed,
        disabled_ms=off,
    )


def listed(conn: sqlite3.Connection) -> tuple[Account, ...]:
    """Give all accounts by name."""
    rows = conn.execute(f"SELECT {COLUMNS} FROM account ORDER BY key")  # noqa: S608 - our own columns
    return tuple(map(account_of, rows))


def found(conn: sqlite3.Connection, name: str) -> Account | None:
    """Find an account by its name, however it is written."""
    row = conn.execute(
        f"SELECT {COLUMNS} FROM account WHERE key = ?",  # noqa: S608 - our own columns
        (key_of(name),),
    ).fetchone()
    return None if row is None else account_of(row)


def get(conn: sqlite3.Connection, account_id: int) -> Account | None:
    """Give an account by its number."""
    row = conn.execute(
        f"SELECT {COLUMNS} FROM account WHERE id = ?",  # noqa: S608 - our own columns
        (account_id,),
    ).fetchone()
    return None if row is None else account_of(row)


def named(conn: sqlite3.Connection, name: str) -> Account:
    """Give the account of this name.

    Raises
    ------
    review.problems.Mistake
        There is none.
    """
    account = found(conn, name)
    if account is None:
        names = [each.name for each in listed(conn)]
        if not names:
            raise Mistake("nobody has an account yet; 'heatbook accounts add' adds somebody")
        raise Mistake(f"no account is named {name!r}; {nearest(name, names, 'name')}")
    return account


def add(
    tx: sqlite3.Connection,
    name: str,
    role: Role,
    kept: str,
    *,
    now_ms: int,
    one_time_until_ms: int | None,
) -> Account:
    """Add an account; ``kept`` is what is kept of its password.

    Raises
    ------
    review.problems.Mistake
        The name cannot be used, or somebody has it.
    """
    name = " ".join(unicodedata.normalize("NFC", name).split())
    if not 0 < len(name) <= NAME_LENGTH or not name.isprintable():
        raise Mistake(f"a name has 1 to {NAME_LENGTH} characters that can be printed")
    if (other := found(tx, name)) is not None:
        raise Mistake(f"there is an account named {other.name!r}; choose another name")
    tx.execute(
        "INSERT INTO account (key, name, role, password, one_time_until_ms, made_ms, changed_ms) "
        "VALUES (?, ?, ?, ?, ?, ?, ?)",
        (key_of(name), name, int(role), kept, one_time_until_ms, now_ms, now_ms),
    )
    return named(tx, name)


def set_role(tx: sqlite3.Connection, account: Account, role: Role, now_ms: int) -> None:
    """Change what somebody may do.

    Raises
    ------
    review.problems.Mistake
        No manager would be left.
    """
    if role < Role.MANAGER:
        _leave_one(tx, account)
    tx.execute(
        "UPDATE account SET role = ?, changed_ms = ? WHERE id = ?",
        (int(role), now_ms, account.id),
    )


def disable(tx: sqlite3.Connection, account: Account, now_ms: int) -> None:
    """Let somebody in no more, and end their sessions.

    Raises
    ------
    review.problems.Mistake
        No manager would be left.
    """
    _leave_one(tx, account)
    tx.execute(
        "UPDATE account SET disabled_ms = ?, changed_ms = ? WHERE id = ?",
        (now_ms, now_ms, account.id),
    )
    sessions.end_all(tx, account.id)


def enable(tx: sqlite3.Connection, account: Account, now_ms: int) -> None:
    """Let somebody in again."""
    tx.execute(
        "UPDATE account SET disabled_ms = NULL, changed_ms = ? WHERE id = ?",
        (now_ms, account.id),
    )


def set_password(
    tx: sqlite3.Connection,
    account: Account,
    kept: str,
    *,
    now_ms: int,
    one_time_until_ms: int | None = None,
    but: int | None = None,
) -> None:
    """Change a password and end all sessions, ``but`` one; no browser of before is known any more."""
    tx.execute(
        "UPDATE account SET password = ?, one_time_until_ms = ?, changed_ms = ? WHERE id = ?",
        (kept, one_time_until_ms, now_ms, account.id),
    )
    sessions.end_all(tx, account.id, but=but)


def keep_better(tx: sqlite3.Connection, account: Account, kept: str) -> None:
    """Keep the same password with the parameters of today."""
    tx.execute(
        "UPDATE account SET password = ? WHERE id = ? AND password = ?",
        (kept, account.id, account.password),
    )


def choose_units(tx: sqlite3.Connection, account_id: int, choice: Choice) -> None:
    """Let somebody read numbers so."""
    tx.execute(
        "UPDATE account SET temperature = ?, distance = ?, volume = ? WHERE id = ?",
        (choice.temperature, choice.distance, choice.volume, account_id),
    )


def key_of(name: str) -> str:
    """Write a name as it is looked up: case, width and blanks make no difference."""
    return " ".join(unicodedata.normalize("NFKC", name).casefold().split())


def _leave_one(tx: sqlite3.Connection, account: Account) -> None:
    (others,) = tx.execute(
        "SELECT count(*) FROM account WHERE role = ? AND disabled_ms IS NULL AND id <> ?",
        (int(Role.MANAGER), account.id),
    ).fetchone()
    if account.role is Role.MANAGER and account.disabled_ms is None and not others:
        raise Mistake(
            f"{account.name} is the only manager: make somebody else one first, or nobody could "
            "rule over accounts"
        )
