"""The numbers behind a silence, of one truck or of all: what its words are made from. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from alerts import silence_words as names
from alerts.link import Link
from alerts.watch import LastHeard, Outage, SilenceLimits, fallen
from models.silence_words import AFTER_OUTAGE, LINE_LOST, ONLINE

_MINUTE_MS = 60_000


def of_all(
    heard: Mapping[str, LastHeard], now_ms: int, limits: SilenceLimits, link: Link
) -> dict[str, float]:
    """Give what is known when nothing comes from anybody."""
    moved = fallen(heard, limits)
    down_ms = link.down_ms(now_ms)
    quiet_ms = now_ms - max(last.heard_ms for last in heard.values())
    return {
        names.QUIET_MINUTES: quiet_ms / _MINUTE_MS,
        names.TRUCKS: float(len(heard)),
        names.MOVING: float(len(moved)),
        names.LOST: float(sum(last.lost_moving for last in moved)),
        names.DOWN_MINUTES: math.nan if link.connected else down_ms / _MINUTE_MS,
        names.REFUSED: float(link.refused and not link.connected),
    }


def of_one(last: LastHeard, now_ms: int, outages: Sequence[Outage] = ()) -> dict[str, float]:
    """Give what is known when one truck is quiet."""
    return {
        names.QUIET_MINUTES: (now_ms - last.time_ms) / _MINUTE_MS,
        LINE_LOST: float(last.lost_moving),
        ONLINE: math.nan if last.online is None else float(last.online),
        AFTER_OUTAGE: float(any(each.took(last) for each in outages)),
    }
