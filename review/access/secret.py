"""Random secrets, and what is kept of them.

A secret of 256 random bits cannot be found from its SHA-256 by trying; only what people think up needs a
slow hash (passwords.py).
"""

from __future__ import annotations

import hashlib
import secrets

BYTES = 32


def fresh() -> str:
    """Make a secret, as text that fits a cookie, a form and a header."""
    return secrets.token_urlsafe(BYTES)


def kept(secret: str) -> bytes:
    """Give what is kept of a secret."""
    return hashlib.sha256(secret.encode("utf-8", "surrogatepass")).digest()


def same(one: str, other: str) -> bool:
    """Compare in a time that does not tell how much is alike; nothing is the same as an empty one."""
    return bool(one) and secrets.compare_digest(
        one.encode("utf-8", "surrogatepass"), other.encode("utf-8", "surrogatepass")
    )
