"""The gateway's own counter: what has come, what is missing, and up to where nothing is missing."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Sequence:
    """Counter values that have come, as closed spans in order.

    ``since_ms`` is the time of the first sample of this run of the counter: a gateway that
    restarts its counter starts a new run. ``newest_ms`` is the newest sample time seen with a
    counter value. ``missing_before`` counts the values that earlier runs still lacked when they
    ended.
    """

    since_ms: int = 0
    newest_ms: int = 0
    spans: tuple[tuple[int, int], ...] = ()
    missing_before: int = 0

    @property
    def gap_free(self) -> int | None:
        """The highest value up to which nothing is missing, None before the first."""
        return self.spans[0][1] if self.spans else None

    @property
    def missing(self) -> int:
        """How many values are missing between the first and the last that came."""
        held = sum(last - first + 1 for first, last in self.spans)
        whole = self.spans[-1][1] - self.spans[0][0] + 1 if self.spans else 0
        return self.missing_before + whole - held


def note(sequence: Sequence, arrived: Iterable[tuple[int, int]]) -> Sequence:
    """Take in pairs (time [ms], counter value) of one message batch."""
    for time_ms, value in arrived:
        sequence = _note_one(sequence, time_ms, value)
    return sequence


def _note_one(sequence: Sequence, time_ms: int, value: int) -> Sequence:
    spans = sequence.spans
    restarted = bool(spans) and time_ms > sequence.newest_ms and value <= spans[-1][1]
    if not spans or restarted:
        return Sequence(
            since_ms=time_ms,
            newest_ms=time_ms,
            spans=((value, value),),
            missing_before=sequence.missing,
        )
    if time_ms < sequence.since_ms and value > spans[0][0]:
        return sequence  # late, and of an earlier run of the counter
    return Sequence(
        since_ms=min(sequence.since_ms, time_ms),
        newest_ms=max(sequence.newest_ms, time_ms),
        spans=_insert(spans, value),
        missing_before=sequence.missing_before,
    )


def _holds(spans: tuple[tuple[int, int], ...], value: int) -> bool:
    place = bisect_right(spans, (value, float("inf"))) - 1
    return place >= 0 and spans[place][0] <= value <= spans[place][1]


def _insert(spans: tuple[tuple[int, int], ...], value: int) -> tuple[tuple[int, int], ...]:
    first, last = spans[-1]
    if value == last + 1:
        return (*spans[:-1], (first, value))
    if _holds(spans, value):
        return spans
    place = bisect_right(spans, (value, value))
    low = high = value
    before, after = spans[:place], spans[place:]
    if before and before[-1][1] == value - 1:
        low, before = before[-1][0], before[:-1]
    if after and after[0][0] == value + 1:
        high, after = after[0][1], after[1:]
    return (*before, (low, high), *after)
