"""Signed links: whoever holds one may do the one thing it was made for.

An answer acknowledges what one notice told one person, for a while. An address is read again and again
(a calendar, figures) until it is changed. No clock and no randomness in here: a link made for the same
notice is the same on every try.
"""

from __future__ import annotations

import hashlib
import sqlite3
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from itsdangerous import BadData, TimestampSigner, URLSafeSerializer, URLSafeTimedSerializer

KEY_BYTES = 32
"""Length of a key: that of the digest it is used with (RFC 2104, section 3, asks for no less)."""


class Purpose(StrEnum):
    """What a link is for; one made for the one opens no other."""

    ACKNOWLEDGE = "acknowledge"
    CALENDAR = "calendar"
    FIGURES = "figures"


class Fault(StrEnum):
    """Why a link is not taken."""

    BROKEN = "broken"
    EXPIRED = "expired"
    OTHER_PURPOSE = "other purpose"


class BadLink(Exception):
    """A link that is not taken, and why."""

    def __init__(self, fault: Fault) -> None:
        super().__init__(fault.value)
        self.fault = fault


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What an answer is to: one alarm in one turn, or all that one sending told.

    ``person`` is the key of whom the notice went to; empty where it went to a list.
    """

    person: str = ""
    alarm_id: str = ""
    turn: int = 0
    sending: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Address:
    """What a private address shows; one of an earlier ``edition`` was changed and shows nothing."""

    purpose: Purpose
    scope: str
    edition: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Links:
    """Makes and reads links.

    ``keys``: oldest first; the newest signs, each verifies. ``lifetime_ms``: how long an answer is taken.
    """

    keys: tuple[bytes, ...]
    lifetime_ms: int

    def answer(self, claim: Answer, made_ms: int) -> str:
        """Write an answer as a token, for a notice made at ``made_ms``."""
        words = [claim.person, claim.alarm_id, claim.turn, claim.sending]
        return self._timed(Purpose.ACKNOWLEDGE, made_ms).dumps(words)

    def read_answer(self, token: str, now_ms: int) -> Answer:
        """Read an answer.

        Raises
        ------
        BadLink
            It was cut or changed, made for another purpose, or is too old.
        """
        try:
            words, made = self._timed(Purpose.ACKNOWLEDGE, now_ms).loads(
                token, return_timestamp=True
            )
        except BadData as error:
            raise BadLink(self._fault(token, Purpose.ACKNOWLEDGE)) from error
        # A clock that was set back since makes no link older than it is.
        if now_ms - made.timestamp() * 1000 > self.lifetime_ms:
            raise BadLink(Fault.EXPIRED)
        match words:
            case [str(person), str(alarm_id), int(turn), str(sending)]:
                return Answer(person=person, alarm_id=alarm_id, turn=turn, sending=sending)
        raise BadLink(Fault.BROKEN)

    def address(self, claim: Address) -> str:
        """Write a private address as a token: the same whenever it is written."""
        return self._timeless(claim.purpose).dumps([claim.scope, claim.edition])

    def read_address(self, token: str, purpose: Purpose) -> Address:
        """Read a private address; whether its edition still counts, the caller knows.

        Raises
        ------
        BadLink
            It was cut or changed, or made for another purpose.
        """
        try:
            words = self._timeless(purpose).loads(token)
        except BadData as error:
            raise BadLink(self._fault(token, purpose)) from error
        match words:
            case [str(scope), int(edition)]:
                return Address(purpose=purpose, scope=scope, edition=edition)
        raise BadLink(Fault.BROKEN)

    def _fault(self, token: str, wanted: Purpose) -> Fault:
        for purpose in Purpose:
            if purpose is not wanted and self._signed_for(token, purpose):
                return Fault.OTHER_PURPOSE
        return Fault.BROKEN

    def _signed_for(self, token: str, purpose: Purpose) -> bool:
        try:
            if purpose is Purpose.ACKNOWLEDGE:
                self._timed(purpose, 0).loads(token)
            else:
                self._timeless(purpose).loads(token)
        except BadData:
            return False
        return True

    def _timed(self, purpose: Purpose, time_ms: int) -> URLSafeTimedSerializer:
        return URLSafeTimedSerializer(
            list(self.keys),
            salt=_salt(purpose),
            signer=_DatedSigner,
            signer_kwargs={**_SIGNING, "time_s": time_ms // 1000},
        )

    def _timeless(self, purpose: Purpose) -> URLSafeSerializer:
        return URLSafeSerializer(
            list(self.keys), salt=_salt(purpose), signer_kwargs=dict(_SIGNING)
        )


_SIGNING: dict[str, Any] = {"key_derivation": "hmac", "digest_method": hashlib.sha256}


def _salt(purpose: Purpose) -> str:
    return f"heatbook.{purpose.value}"


class _DatedSigner(TimestampSigner):
    """Dates what it signs by the time it is given; the library's own reads the system's clock."""

    def __init__(self, *args: Any, time_s: int, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._time_s = time_s

    def get_timestamp(self) -> int:
        """Give the time it was given [Unix s]."""
        return self._time_s


def load_keys(conn: sqlite3.Connection) -> tuple[bytes, ...]:
    """Read the keys, oldest first."""
    return tuple(row[0] for row in conn.execute("SELECT key FROM link_key ORDER BY seq"))


def ensure_key(tx: sqlite3.Connection, key: bytes, now_ms: int) -> None:
    """Keep ``key`` where there is none yet: at the first start."""
    if not load_keys(tx):
        change_key(tx, key, now_ms)


def change_key(
    tx: sqlite3.Connection, key: bytes, now_ms: int, *, forget: bool = False
) -> None:
    """Sign with another key from now on; ``forget`` makes all links of before void.

    Raises
    ------
    ValueError
        The key is too short.
    """
    if len(key) < KEY_BYTES:
        raise ValueError(f"a key has at least {KEY_BYTES} bytes, not {len(key)}")
    if forget:
        tx.execute("DELETE FROM link_key")
    tx.execute("INSERT INTO link_key (key, created_ms) VALUES (?, ?)", (key, now_ms))
