"""Passwords: how they are kept, how one is compared, and which are taken.

Kept as argon2id (RFC 9106). A password is normalized as RFC 8265, section 4.2, says (OpaqueString), so that
it is the same from every keyboard.
"""

from __future__ import annotations

import base64
import re
import secrets
import threading
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager

from argon2 import Parameters, PasswordHasher, Type
from argon2.exceptions import InvalidHashError, VerificationError

PARAMETERS = Parameters(
    type=Type.ID,
    version=19,
    salt_len=16,
    hash_len=32,
    time_cost=3,
    memory_cost=65_536,
    parallelism=4,
)
"""The second recommended option of RFC 9106, section 4: 3 passes over 64 MiB in 4 lanes; salt of 128 bits,
tag of 256. Whoever signs in with a password kept otherwise has it kept so from then on."""

AT_ONCE = 2
"""So many are computed at one time, 64 MiB each: whoever sends many at once must not take the memory of the
daemon. Own choice."""

IN_LINE = 8
"""So many wait for a turn; who comes then is told to come again. Each holds one of the threads from which all
pages are answered, and answers to alarms too: whoever tries many passwords must not take them all."""

PATIENCE_S = 10.0
"""So long somebody waits for a turn [s]."""

SHORTEST, LONGEST = 12, 128
"""Characters of a password (OWASP ASVS 4, 2.1.1 and 2.1.2, from memory). Nothing is asked of which they are,
save that it is not among the first that are tried."""

ONE_TIME_MS = 7 * 86_400_000
"""So long a one-time password is taken [ms]; own choice."""

_SIGNS = "abcdefghjkmnpqrstuvwxyz23456789"
"""Of these one-time passwords are made: none looks like another when read out or copied by hand."""


class Busy(Exception):
    """Too many sign in at the same time."""


class Passwords:
    """Keeps and compares passwords."""

    def __init__(self, parameters: Parameters = PARAMETERS) -> None:
        self._hasher = PasswordHasher.from_parameters(parameters)
        self._turns = threading.BoundedSemaphore(AT_ONCE)
        self._places = threading.BoundedSemaphore(AT_ONCE + IN_LINE)
        self._nobody = _of_nobody(parameters)

    def keep(self, password: str) -> str:
        """Give what is kept of a password."""
        with self._turn():
            return self._hasher.hash(normal(password))

    def fits(self, kept: str | None, given: str) -> bool:
        """Compare; where nothing is kept (None) as much work is done, and nothing fits.

        Raises
        ------
        Busy
            Too many others are at it.
        """
        with self._turn():
            try:
                self._hasher.verify(kept or self._nobody, normal(given[: 4 * LONGEST]))
            except (VerificationError, InvalidHashError):
                return False
        return kept is not None and len(given) <= LONGEST

    def outdated(self, kept: str) -> bool:
        """Say whether it was kept with other parameters than now."""
        return self._hasher.check_needs_rehash(kept)

    @contextmanager
    def _turn(self) -> Iterator[None]:
        if not self._places.acquire(blocking=False):
            raise Busy
        try:
            if not self._turns.acquire(timeout=PATIENCE_S):
                raise Busy
            try:
                yield
            finally:
                self._turns.release()
        finally:
            self._places.release()


def _of_nobody(parameters: Parameters) -> str:
    """Write what would be kept of a password that nobody knows."""
    salt, tag = (
        base64.b64encode(secrets.token_bytes(length)).decode().rstrip("=")
        for length in (parameters.salt_len, parameters.hash_len)
    )
    costs = f"m={parameters.memory_cost},t={parameters.time_cost},p={parameters.parallelism}"
    return f"$argon2id$v={parameters.version}${costs}${salt}${tag}"


def normal(password: str) -> str:
    """Write a password in its one form: NFC, every kind of space as the plain one."""
    spaced = "".join(" " if unicodedata.category(sign) == "Zs" else sign for sign in password)
    return unicodedata.normalize("NFC", spaced).encode("utf-8", "replace").decode()


def one_time() -> str:
    """Make a one-time password: some 79 bits, in groups that can be read out."""
    groups = ("".join(secrets.choice(_SIGNS) for _ in range(4)) for _ in range(4))
    return "-".join(groups)


def as_typed(password: str) -> str:
    """Read a one-time password as people type one: capitals and blanks around it do no harm."""
    return password.strip().lower()


def fault(password: str, name: str) -> str | None:
    """Say why a password is not taken; None: it is."""
    length = len(normal(password))
    if length < SHORTEST:
        return f"It has {length} characters; take {SHORTEST} or more. A few words in a row do well."
    if length > LONGEST:
        return f"It has {length} characters; take {LONGEST} or fewer."
    if len(_guessed_away(password, name)) < _LEFT or len(set(password)) < _DIFFERENT:
        return (
            "It is among the first that are tried. Take a few words that nobody puts together."
        )
    return None


_LEFT, _DIFFERENT = 6, 5
"""What must be left when all that is guessed first is taken away, and how many different signs; own."""

_FIRST = re.compile(
    "password|passwort|passw0rd|heatbook|welcome|letmein|changeme|iloveyou|administrator|admin|manager|"
    "technician|viewer|master|secret|fleet|truck|login"
)
_ROWS = ("abcdefghijklmnopqrstuvwxyz", "qwertyuiop", "asdfghjkl", "zxcvbnm", "01234567890")


def _guessed_away(password: str, name: str) -> str:
    """Take away the words, names and runs of keys that are guessed first, and what is said twice."""
    left = password.casefold()
    if len(name) > 2:
        left = left.replace(name.casefold(), "")
    left = _without_runs(_FIRST.sub("", left))
    return re.sub(r"(.{2,})\1+", r"\1", left)


def _without_runs(text: str) -> str:
    rows = [*_ROWS, *(row[::-1] for row in _ROWS)]
    kept, at = "", 0
    while at < len(text):
        end = at + 1
        while end < len(text) and any(text[at : end + 1] in row for row in rows):
            end += 1
        if end - at < 4:
            kept, end = kept + text[at], at + 1
        at = end
    return kept
