"""Sending lines to InfluxDB so that one bad line does not hold up the good ones.

What the server refuses is halved until single lines are left, whatever it says it has taken of them: sent
twice a line counts once. A server that refuses line after line is not at odds with a line: then nothing is
given up.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import structlog

from ingest.archive import ArchiveError
from ingest.influx_session import Trouble

log = structlog.get_logger()

MOST_BAD = 50
"""More bad lines among those of one sending are no fault of the lines."""

_TOO_OLD = "beyond retention policy"
"""What a server says of points that are older than its bucket keeps; it has taken the others."""

_DROPPED = re.compile(r"dropped=(\d+)")

Write = Callable[[bytes], None]


@dataclass(slots=True)
class Delivery:
    """What came of sending lines: by their place, why they were refused; how many were too old."""

    refused: dict[int, str] = field(default_factory=dict)
    expired: int = 0


def deliver(write: Write, lines: Sequence[str]) -> Delivery:
    """Send lines; on return the server has all but those that are named.

    Raises
    ------
    Trouble
        They could not be sent; some may have been.
    """
    done = Delivery()
    waiting = [(0, len(lines))]
    while waiting:
        start, end = waiting.pop()
        reason = _refusal(write, lines[start:end])
        if reason is None:
            continue
        if _TOO_OLD in reason:
            done.expired += _dropped(reason)
        elif end - start == 1:
            done.refused[start] = reason
            if len(done.refused) > MOST_BAD:
                raise Trouble("refused", f"more than {MOST_BAD} lines, the last: {reason}")
        else:
            middle = (start + end) // 2
            waiting += [(middle, end), (start, middle)]
    return done


def unreadable(error: ArchiveError) -> None:
    """Say that a month cannot be read, so that the feed goes on without it.

    Raises
    ------
    Trouble
        It lies in a server that is only away, or does not let us in: the feed waits for it.
    """
    trouble = error.__cause__
    if isinstance(trouble, Trouble) and trouble.kind != "refused":
        raise trouble
    log.error("influx.unreadable", reason=str(error))


def _dropped(reason: str) -> int:
    told = _DROPPED.search(reason)
    return int(told[1]) if told else 1


def _refusal(write: Write, lines: Sequence[str]) -> str | None:
    """Send lines in one request; why it was refused, if it was."""
    try:
        write("\n".join(lines).encode())
    except Trouble as trouble:
        if trouble.kind != "refused":
            raise
        return trouble.reason
    return None
