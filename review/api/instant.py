"""Times as they are asked with: RFC 3339 with an offset, and nothing else that a library would read too."""

from __future__ import annotations

import re
from datetime import datetime
from typing import Annotated

from pydantic import BeforeValidator, Field, WithJsonSchema

_RFC3339 = re.compile(
    r"\d{4}-\d{2}-\d{2}[Tt ]\d{2}:\d{2}:\d{2}(\.\d+)?([Zz]|[+-]\d{2}:\d{2})", re.ASCII
)
_EARLIEST_MS, _LATEST_MS = -62_135_596_800_000, 253_402_300_799_999
"""What RFC 3339 can write in UTC: the years 0001 to 9999 [Unix ms]."""


def _read(value: object) -> object:
    mend = "write a time with its offset, 2026-06-16T08:30:00Z (RFC 3339)"
    if not isinstance(value, str) or not _RFC3339.fullmatch(value):
        raise ValueError(mend)
    whole, dot, rest = value.upper().replace(" ", "T").partition(".")
    digits = re.match(r"\d*", rest)
    share = digits[0] if digits else ""
    try:
        return datetime.fromisoformat(f"{whole}{dot}{share[:6]}{rest[len(share) :]}")
    except ValueError as error:
        raise ValueError(f"{error}; {mend}") from None


At = Annotated[
    datetime,
    BeforeValidator(_read),
    WithJsonSchema({"type": "string", "format": "date-time"}),
    Field(examples=["2026-06-16T08:30:00Z"]),
]
"""A time."""


def unix_ms(at: datetime) -> int:
    """Give a time as Unix ms; one that an offset carries out of what can be written is its nearest end."""
    return min(max(round(at.timestamp() * 1000), _EARLIEST_MS), _LATEST_MS)
