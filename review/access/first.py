"""The first account: a store that has none gets a manager, or nobody could ever come in."""

from __future__ import annotations

from review.access import accounts
from review.access.audit import Deed, audit
from review.access.passwords import ONE_TIME_MS, Passwords, one_time
from review.access.visitor import Role
from review.store import Store

US = "Heatbook"
"""Who made it, as the audit log says."""


def first_manager(
    store: Store, passwords: Passwords, *, now_ms: int, log_ms: int
) -> str | None:
    """Make a manager where there is no account, and give the one-time password; None: there are some."""
    with store.read() as conn:
        if accounts.listed(conn):
            return None
    password = one_time()
    kept = passwords.keep(password)
    with store.write() as tx:
        if accounts.listed(tx):
            return None
        until_ms = now_ms + ONE_TIME_MS
        accounts.add(
            tx, accounts.FIRST, Role.MANAGER, kept, now_ms=now_ms, one_time_until_ms=until_ms
        )
        audit(tx, US, Deed.ACCOUNT_ADDED, f"{accounts.FIRST}, manager", now_ms=log_ms)
    return password
