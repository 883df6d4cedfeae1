"""The outcome of judging one sample by itself."""

from __future__ import annotations

from typing import NamedTuple

import msgspec

Row = tuple[int, int, tuple[float, ...]]
"""Time [Unix ms], seq (-1 where absent), the signals in `models.sample.SIGNALS` order."""

#: All that parsing can raise: bad UTF-8 and deep nesting are no errors of msgspec's own.
UNREADABLE = (msgspec.MsgspecError, UnicodeDecodeError, RecursionError)


class Fault(NamedTuple):
    """A reason (key of `ingest.decoded.REASONS`), the field it is about, and plain words."""

    reason: str
    field: str
    detail: str
