"""The gateway's own counter: what came, what is missing, up to where nothing is missing.

A value whose sample was refused has come too: its bytes are safe in quarantine, and a gateway that
waited for more would wait for ever. For the same reason a hole that stays open for a day, while the
truck is heard, is closed and counted as missing: whatever was in it does not exist any more.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass, replace

HOLE_KEPT_MS = 24 * 3_600_000
"""How long a hole is waited for [ms]. Longer than any network outage that a gateway stores through is
likely to be followed by a wait; doubling it makes a gateway with a hole keep twice as much."""

FARTHEST_AHEAD = 100_000
"""How far beyond the last value a refused sample's value is believed [-]."""

Span = tuple[int, int, int]
"""First and last value, and when [received, ms] the hole below it was first seen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sequence:
    """Counter values that have come, as closed spans in order.

    ``since_ms`` is the time of the first sample of this run of the counter: a gateway that restarts
    its counter starts a new run. ``newest_ms`` is the newest sample time seen with a counter value.
    ``missing_before`` counts the values that will not come any more: of earlier runs, and of holes
    that were closed.
    """

    since_ms: int = 0
    newest_ms: int = 0
    spans: tuple[Span, ...] = ()
    missing_before: int = 0

    @property
    def gap_free(self) -> int | None:
        """The highest value up to which nothing is missing, None before the first."""
        return self.spans[0][1] if self.spans else None

    @property
    def missing(self) -> int:
        """How many values are missing between the first and the last that came."""
        held = sum(last - first + 1 for first, last, _ in self.spans)
        whole = self.spans[-1][1] - self.spans[0][0] + 1 if self.spans else 0
        return self.missing_before + whole - held


def note(
    sequence: Sequence,
    arrived: Iterable[tuple[int, int]],
    *,
    refused: Iterable[int] = (),
    received_ms: int = 0,
) -> Sequence:
    """Take in what came in one commit.

    Parameters
    ----------
    sequence
        What is known.
    arrived
        Pairs (time [ms], counter value) of good samples.
    refused
        Counter values of samples that went to quarantine.
    received_ms
        When it was received [ms].
    """
    pairs = list(arrived)
    place = 0
    while place < len(pairs):
        sequence, count = _note_run(sequence, pairs, place, received_ms)
        place += count
    for value in refused:
        sequence = _note_refused(sequence, value, received_ms)
    return _close_old_holes(sequence, received_ms)


def _note_run(
    sequence: Sequence, pairs: list[tuple[int, int]], place: int, received_ms: int
) -> tuple[Sequence, int]:
    """Take in a run that goes on where the last span ends, as almost all do, or one value."""
    if not sequence.spans:
        return _note_one(sequence, *pairs[place], received_ms), 1
    first, last, opened_ms = sequence.spans[-1]
    newest_ms = sequence.newest_ms
    end = place
    while end < len(pairs) and pairs[end][1] == last + 1 and pairs[end][0] > newest_ms:
        newest_ms, last = pairs[end]
        end += 1
    if end == place:
        return _note_one(sequence, *pairs[place], received_ms), 1
    spans = (*sequence.spans[:-1], (first, last, opened_ms))
    return replace(sequence, newest_ms=newest_ms, spans=spans), end - place


def _note_one(sequence: Sequence, time_ms: int, value: int, received_ms: int) -> Sequence:
    spans = sequence.spans
    restarted = bool(spans) and time_ms > sequence.newest_ms and value <= spans[-1][1]
    if not spans or restarted:
        return Sequence(
            since_ms=time_ms,
            newest_ms=time_ms,
            spans=((value, value, received_ms),),
            missing_before=sequence.missing,
        )
    if time_ms < sequence.since_ms and value > spans[0][0]:
        return sequence  # late, and of an earlier run of the counter
    return replace(
        sequence,
        since_ms=min(sequence.since_ms, time_ms),
        newest_ms=max(sequence.newest_ms, time_ms),
        spans=_insert(spans, value, received_ms),
    )


def _note_refused(sequence: Sequence, value: int, received_ms: int) -> Sequence:
    spans = sequence.spans
    if not spans or not spans[0][0] <= value <= spans[-1][1] + FARTHEST_AHEAD:
        return sequence
    return replace(sequence, spans=_insert(spans, value, received_ms))


def _close_old_holes(sequence: Sequence, received_ms: int) -> Sequence:
    """Give up the lowest holes that have been open for too long, one after the other."""
    spans, lost = sequence.spans, 0
    while len(spans) > 1 and received_ms - spans[1][2] >= HOLE_KEPT_MS:
        (first, last, opened_ms), (after, end, _) = spans[:2]
        lost += after - last - 1
        spans = ((first, end, opened_ms), *spans[2:])
    if not lost:
        return sequence
    return replace(sequence, spans=spans, missing_before=sequence.missing_before + lost)


def _insert(spans: tuple[Span, ...], value: int, received_ms: int) -> tuple[Span, ...]:
    first, last, opened_ms = spans[-1]
    if value == last + 1:
        return (*spans[:-1], (first, value, opened_ms))
    place = bisect_right(spans, value, key=lambda span: span[0])
    before, after = spans[:place], spans[place:]
    if before and value <= before[-1][1]:
        return spans
    low = high = value
    opened_ms = received_ms
    if after and after[0][0] == value + 1:
        high, opened_ms, after = after[0][1], after[0][2], after[1:]
    if before and before[-1][1] == value - 1:
        low, opened_ms, before = before[-1][0], before[-1][2], before[:-1]
    return (*before, (low, high, opened_ms), *after)
