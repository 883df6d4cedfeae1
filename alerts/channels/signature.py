"""Signatures of Standard Webhooks 1.0.0, so that a receiver knows who speaks.

Signed is ``{id}.{timestamp}.{body}``; several secrets give several signatures, so that
a secret can be changed without a gap.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
from collections.abc import Sequence

PREFIX = "whsec_"
SHORTEST, LONGEST = 24, 64
"""Length of a secret [bytes], Standard Webhooks 1.0.0."""


def key(secret: str) -> bytes:
    """Read a secret: base64, with or without its prefix.

    Raises
    ------
    ValueError
        It is not base64 or of the wrong length; the message does not repeat it.
    """
    try:
        found = base64.b64decode(secret.removeprefix(PREFIX), validate=True)
    except ValueError:
        raise ValueError("a webhook secret is not base64") from None
    if not SHORTEST <= len(found) <= LONGEST:
        raise ValueError(f"a webhook secret has {SHORTEST} to {LONGEST} bytes")
    return found


def headers(
    secrets: Sequence[str], *, notice_id: str, time_s: int, body: bytes
) -> dict[str, str]:
    """Give the three headers of a signed message."""
    signed = f"{notice_id}.{time_s}.".encode() + body
    signatures = (hmac.new(key(secret), signed, hashlib.sha256).digest() for secret in secrets)
    return {
        "webhook-id": notice_id,
        "webhook-timestamp": str(time_s),
        "webhook-signature": " ".join(
            f"v1,{base64.b64encode(signature).decode()}" for signature in signatures
        ),
    }
