"""Which gateways are silent now: the one thing no sample can say.

Pure: what was last heard of each truck, and the time, in; who is silent since when, out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

SILENT = "gateway_silent"
"""The kind of alarm this file decides on; the kernel finds the same episodes in the samples."""

EVERYBODY = "*"
"""Stands for all trucks: when nothing comes from anybody the fault is the broker's, or ours."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LastHeard:
    """The last that was heard of one truck.

    ``time_ms`` is its newest sample's own time, ``heard_ms`` when the daemon last got anything
    from it; ``moving`` whether it moved at the newest sample (``None``: not known);
    ``lost_moving`` whether the broker published its last will while it moved.
    """

    time_ms: int
    heard_ms: int
    moving: bool | None = None
    lost_moving: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SilenceLimits:
    """How long a moving truck, and everybody at once, may be quiet.

    The second is the shorter: before the first truck's time is up it must be clear whether the
    matter is one truck or the broker.
    """

    silent_after_ms: int = 15 * 60_000
    everybody_after_ms: int = 5 * 60_000


def silent(
    last: LastHeard, now_ms: int, limits: SilenceLimits, *, listening_since_ms: int = 0
) -> int | None:
    """Give the onset [ms] of a truck's silence, ``None`` while it is not silent.

    A truck that stands or is off is parked, whatever it does not say. Only time in which the
    daemon was able to hear counts: since ``listening_since_ms``.
    """
    if not _moving(last):
        return None
    onset_ms = last.time_ms + limits.silent_after_ms
    quiet_ms = now_ms - max(last.heard_ms, listening_since_ms)
    return onset_ms if now_ms >= onset_ms and quiet_ms >= limits.silent_after_ms else None


def judge(
    heard: Mapping[str, LastHeard],
    now_ms: int,
    limits: SilenceLimits,
    *,
    listening_since_ms: int = 0,
) -> dict[str, int]:
    """Give the onset [ms] of every silence: by truck, or ``EVERYBODY`` for a general one.

    ``listening_since_ms`` is when the daemon's session came up, or when messages came again
    after a general silence: the trucks need not all be back at once.
    """
    newest_ms = max((last.heard_ms for last in heard.values()), default=0)
    talking_ms = newest_ms - limits.everybody_after_ms
    fallen = [last for last in heard.values() if _moving(last) and last.heard_ms >= talking_ms]
    quiet_ms = now_ms - max(newest_ms, listening_since_ms)
    general = quiet_ms >= limits.everybody_after_ms and len(fallen) > 1
    onsets = {EVERYBODY: newest_ms + limits.everybody_after_ms} if general else {}
    for vehicle, last in sorted(heard.items()):
        onset_ms = silent(last, now_ms, limits, listening_since_ms=listening_since_ms)
        if onset_ms is not None and not (general and last.heard_ms >= talking_ms):
            onsets[vehicle] = onset_ms
    return onsets


def _moving(last: LastHeard) -> bool:
    return bool(last.moving) or last.lost_moving
