"""The audit log: who did what, about what, when, and from where. It is only ever added to.

But for one thing: of a truck that was erased the name goes (``forgetting.py``).
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum


class Deed(StrEnum):
    """What somebody did."""

    SIGNED_IN = "sign_in.passed"
    NOT_SIGNED_IN = "sign_in.failed"
    SIGNED_OUT = "sign_in.ended"
    PROVED = "sign_in.proved"
    SESSION_ENDED = "session.ended"
    PASSWORD_CHANGED = "password.changed"  # noqa: S105 - a name
    PASSWORD_GIVEN = "password.given"  # noqa: S105 - a name
    ACCOUNT_ADDED = "account.added"
    ROLE_CHANGED = "account.role_changed"
    ACCOUNT_DISABLED = "account.disabled"
    ACCOUNT_ENABLED = "account.enabled"
    TOKEN_MADE = "token.made"  # noqa: S105 - a name
    TOKEN_REVOKED = "token.revoked"  # noqa: S105 - a name
    ALARM_ACKNOWLEDGED = "alarm.acknowledged"
    ALARM_COMMENTED = "alarm.commented"
    ALARM_RESET = "alarm.reset"
    ALARM_SHELVED = "alarm.shelved"
    ALARM_UNSHELVED = "alarm.unshelved"
    TRUCK_HELD = "truck.held"
    TRUCK_RELEASED = "truck.released"
    TRUCK_ERASED = "truck.erased"
    SERVICE_RECORDED = "service.recorded"
    SERVICE_CORRECTED = "service.corrected"
    SERVICE_STRUCK = "service.struck"
    QUARANTINE_PUT_IN_AGAIN = "quarantine.put_in_again"
    QUARANTINE_DROPPED = "quarantine.dropped"
    NOTICE_SENT_AGAIN = "notice.sent_again"
    NOTICE_PUT_TO_REST = "notice.put_to_rest"
    REVIEW_MADE = "review.made"
    HISTORY_EXPORTED = "history.exported"


WORDS: Mapping[Deed, str] = {
    Deed.SIGNED_IN: "signed in",
    Deed.NOT_SIGNED_IN: "tried to sign in and did not",
    Deed.SIGNED_OUT: "signed out",
    Deed.PROVED: "gave the password again",
    Deed.SESSION_ENDED: "ended a session",
    Deed.PASSWORD_CHANGED: "changed the own password",
    Deed.PASSWORD_GIVEN: "gave a one-time password",
    Deed.ACCOUNT_ADDED: "added an account",
    Deed.ROLE_CHANGED: "changed a role",
    Deed.ACCOUNT_DISABLED: "disabled an account",
    Deed.ACCOUNT_ENABLED: "enabled an account again",
    Deed.TOKEN_MADE: "made a token",
    Deed.TOKEN_REVOKED: "revoked a token",
    Deed.ALARM_ACKNOWLEDGED: "acknowledged an alarm",
    Deed.ALARM_COMMENTED: "commented on an alarm",
    Deed.ALARM_RESET: "looked at an alarm and let it go",
    Deed.ALARM_SHELVED: "shelved an alarm",
    Deed.ALARM_UNSHELVED: "took an alarm off the shelf",
    Deed.TRUCK_HELD: "took out of service",
    Deed.TRUCK_RELEASED: "put into service again",
    Deed.TRUCK_ERASED: "had a truck erased",
    Deed.SERVICE_RECORDED: "recorded a service",
    Deed.SERVICE_CORRECTED: "corrected an entry of the service record",
    Deed.SERVICE_STRUCK: "took an entry of the service record back",
    Deed.QUARANTINE_PUT_IN_AGAIN: "put a refused message in again",
    Deed.QUARANTINE_DROPPED: "dropped a refused message",
    Deed.NOTICE_SENT_AGAIN: "had a notice sent again",
    Deed.NOTICE_PUT_TO_REST: "took a given-up notice off the list",
    Deed.REVIEW_MADE: "made a review",
    Deed.HISTORY_EXPORTED: "exported history",
}

LONGEST = 300
"""What of a text is kept [characters]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line of the log; ``what`` may be one that a later version wrote."""

    id: int
    time_ms: int
    who: str
    what: str
    about: str
    address: str

    @property
    def words(self) -> str:
        """What was done, in words."""
        return WORDS[Deed(self.what)] if self.what in set(Deed) else self.what


def audit(
    tx: sqlite3.Connection,
    who: str,
    what: Deed,
    about: str = "",
    *,
    now_ms: int,
    address: str = "",
) -> None:
    """Write down what somebody did, in the transaction that does it."""
    tx.execute(
        "INSERT INTO audit (time_ms, who, what, about, address) VALUES (?, ?, ?, ?, ?)",
        (now_ms, _line(who), what.value, _line(about), _line(address)),
    )


def lines(
    conn: sqlite3.Connection,
    *,
    who: str = "",
    what: str = "",
    before: int | None = None,
    limit: int = 100,
) -> tuple[Line, ...]:
    """Read the log, newest first: of one person or of all, of one kind, older than one line."""
    rows = conn.execute(
        """
        SELECT id, time_ms, who, what, about, address FROM audit
        WHERE (?1 = '' OR who = ?1) AND (?2 = '' OR what = ?2) AND (?3 IS NULL OR id < ?3)
        ORDER BY id DESC LIMIT ?4
        """,
        (who, what, before, limit),
    )
    names = ("id", "time_ms", "who", "what", "about", "address")
    return tuple(Line(**dict(zip(names, row, strict=True))) for row in rows)


def _line(text: str) -> str:
    kept = "".join(sign if sign.isprintable() else " " for sign in text)
    return " ".join(kept.split())[:LONGEST]
