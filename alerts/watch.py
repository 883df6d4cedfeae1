"""Which gateways are silent now: the one thing no sample can say.

Pure: what was last heard of each truck, and the time, in; who is silent since when, out.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from alerts.link import UP, Link

SILENT = "gateway_silent"
"""The kind of alarm this file decides on; the kernel finds the same episodes in the samples."""

EVERYBODY = "*"
"""Stands for all trucks: when nothing comes from anybody the fault is the broker's, or ours."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LastHeard:
    """The last that was heard of one truck.

    ``time_ms`` is its newest sample's own time, ``heard_ms`` when the daemon last got samples from it;
    ``moving`` whether it moved at the newest sample (``None``: not known); ``lost_moving`` whether the
    broker published its last will while it moved; ``online`` what the broker said last of its gateway's
    connection (``None``: nothing).
    """

    time_ms: int
    heard_ms: int
    moving: bool | None = None
    lost_moving: bool = False
    online: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SilenceLimits:
    """How long a moving truck, and everybody at once, may be quiet.

    The second is the shorter: before the first truck's time is up it must be clear whether the
    matter is one truck or the broker. ``after_outage_ms``: a truck that fell silent with all others and
    was not heard since may have been parked meanwhile; only then is it a matter of its own (own choice:
    most work again within a day).
    """

    silent_after_ms: int = 15 * 60_000
    everybody_after_ms: int = 5 * 60_000
    after_outage_ms: int = 24 * 60 * 60_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Outage:
    """A general silence that was told: the trucks last heard from ``from_ms`` to ``told_ms`` fell with it.

    ``ended_ms``: ``None`` while it lasts.
    """

    from_ms: int
    told_ms: int
    ended_ms: int | None

    def took(self, last: LastHeard) -> bool:
        """Tell whether a truck fell silent with it and was not heard since."""
        return self.from_ms <= last.heard_ms <= self.told_ms


def silent(
    last: LastHeard,
    now_ms: int,
    limits: SilenceLimits,
    *,
    listening_since_ms: int = 0,
    link: Link = UP,
) -> int | None:
    """Give the onset [ms] of a truck's silence, ``None`` while it is not silent.

    A truck that stands or is off is parked, whatever it does not say. Only time in which the
    daemon was able to hear counts: since ``listening_since_ms``, and while ``link`` stood.
    """
    if not _moving(last):
        return None
    onset_ms = last.time_ms + limits.silent_after_ms
    quiet_ms = link.heard_until(now_ms) - max(last.heard_ms, listening_since_ms)
    return onset_ms if now_ms >= onset_ms and quiet_ms >= limits.silent_after_ms else None


def judge(
    heard: Mapping[str, LastHeard],
    now_ms: int,
    limits: SilenceLimits,
    *,
    listening_since_ms: int = 0,
    link: Link = UP,
    outages: Sequence[Outage] = (),
) -> dict[str, int]:
    """Give the onset [ms] of every silence: by truck, or ``EVERYBODY`` for a general one.

    ``listening_since_ms`` is when the daemon's session came up, or when messages came again
    after a general silence: the trucks need not all be back at once. ``outages``: the general silences
    that were told.
    """
    everybody_ms = _everybody(heard, now_ms, limits, listening_since_ms, link)
    with_all_ms = _newest_ms(heard) - limits.everybody_after_ms
    onsets: dict[str, int] = {}
    for vehicle, last in heard.items():
        onset_ms = silent(
            last, now_ms, limits, listening_since_ms=listening_since_ms, link=link
        )
        if onset_ms is None:
            continue
        fell_with_all = everybody_ms is not None and last.heard_ms >= with_all_ms
        excused = any(
            each.took(last) and not _long_over(each, now_ms, limits) for each in outages
        )
        if not fell_with_all and not excused:
            onsets[vehicle] = onset_ms
    general = {} if everybody_ms is None else {EVERYBODY: everybody_ms}
    return general | dict(sorted(onsets.items()))


def fallen(heard: Mapping[str, LastHeard], limits: SilenceLimits) -> list[LastHeard]:
    """Give the trucks that moved when they were last heard, among the last to be heard of all."""
    with_all_ms = _newest_ms(heard) - limits.everybody_after_ms
    return [last for last in heard.values() if _moving(last) and last.heard_ms >= with_all_ms]


def _everybody(
    heard: Mapping[str, LastHeard],
    now_ms: int,
    limits: SilenceLimits,
    listening_since_ms: int,
    link: Link,
) -> int | None:
    """Give the onset [ms] of a general silence, be it that nothing comes or that nothing can come."""
    newest_ms = _newest_ms(heard)
    quiet_ms = now_ms - max(newest_ms, listening_since_ms)
    if quiet_ms >= limits.everybody_after_ms and len(fallen(heard, limits)) > 1:
        return newest_ms + limits.everybody_after_ms
    if heard and link.down_ms(now_ms) >= limits.everybody_after_ms:
        return link.since_ms + limits.everybody_after_ms
    return None


def _long_over(outage: Outage, now_ms: int, limits: SilenceLimits) -> bool:
    return outage.ended_ms is not None and now_ms - outage.ended_ms >= limits.after_outage_ms


def _newest_ms(heard: Mapping[str, LastHeard]) -> int:
    return max((last.heard_ms for last in heard.values()), default=0)


def _moving(last: LastHeard) -> bool:
    return bool(last.moving) or last.lost_moving
