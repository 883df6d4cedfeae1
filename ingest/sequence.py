"""The gateway's own counter: what came, what is missing, up to where nothing is missing.

A value whose sample was refused for good has come too: its bytes are in quarantine, and a gateway that
waited for more would wait for ever. For the same reason a hole is closed and counted as missing once the
truck has been heard for a day in all and nothing of the hole has come: whatever was in it does not exist
any more. Time in which the truck was not heard does not count: its gateway may be about to send.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass, replace

HOLE_KEPT_MS = 24 * 3_600_000
"""How long a hole is waited for [ms]. Longer than any network outage that a gateway stores through is
likely to be followed by a wait; doubling it makes a gateway with a hole keep twice as much."""

BASE_WAIT_MS = 600_000
"""How long a counter that did not begin at 0 or 1 is asked for what lies below its first value [ms].
A gateway that waits sends again within that time; doubling it doubles what it keeps at first."""

AWAY_MS = 600_000
"""A pause in what is heard of a truck after which the clocks of its holes stand still [ms]."""

FARTHEST_AHEAD = 1_000
"""How far beyond the last value a refused sample's value is believed [-]."""

MOST_SPANS = 1_000
"""Spans that are kept [-]: a counter that leaves out every other value would otherwise fill the store.
The newest are forgotten first: they come again, since nobody was told that they are safe."""

Span = tuple[int, int, int]
"""First and last value, and when [received, ms] the hole below it was first seen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sequence:
    """Counter values that have come, as closed spans in order.

    A gateway that restarts its counter starts a new run; what is not later than ``since_ms`` belongs to
    an earlier one. ``newest_ms`` is the newest sample time seen with a counter value.
    ``missing_before`` counts the values that will not come any more: of earlier runs, and of holes
    that were closed. ``base_known``: nothing below the first span is to come.
    """

    since_ms: int = 0
    newest_ms: int = 0
    spans: tuple[Span, ...] = ()
    missing_before: int = 0
    base_known: bool = False

    @property
    def gap_free(self) -> int | None:
        """The highest value up to which nothing is missing, None while that is not known.

        What a truck sends first need not be the first that it has: as long as lower values may
        still come, no value is called safe.
        """
        return self.spans[0][1] if self.spans and self.base_known else None

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
    away_ms: int = 0,
) -> Sequence:
    """Take in what came in one commit.

    Parameters
    ----------
    sequence
        What is known.
    arrived
        Pairs (time [ms], counter value) of good samples.
    refused
        Counter values of samples that were refused for good.
    received_ms
        When it was received [ms].
    away_ms
        How long nothing was heard of the truck before [ms]; negative when the clock was set back.
    """
    if not 0 <= away_ms <= AWAY_MS:
        moved = tuple((first, last, opened + away_ms) for first, last, opened in sequence.spans)
        sequence = replace(sequence, spans=moved)
    pairs = list(arrived)
    place = 0
    while place < len(pairs):
        sequence, count = _note_run(sequence, pairs, place, received_ms)
        place += count
    for value in refused:
        sequence = _note_refused(sequence, value, received_ms)
    return _find_base(_close_old_holes(sequence, received_ms), received_ms)


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
    if not spans:
        return replace(sequence, newest_ms=time_ms, spans=((value, value, received_ms),))
    if time_ms > sequence.newest_ms and _used(spans, value):
        return Sequence(
            since_ms=sequence.newest_ms,
            newest_ms=time_ms,
            spans=((value, value, received_ms),),
            missing_before=sequence.missing,
        )
    if time_ms <= sequence.since_ms:
        return sequence  # late, and of an earlier run of the counter
    return replace(
        sequence,
        newest_ms=max(sequence.newest_ms, time_ms),
        spans=_insert(spans, value, received_ms),
    )


def _used(spans: tuple[Span, ...], value: int) -> bool:
    """Say whether a newer sample can have this value only because the counter began anew.

    A value in a hole may just be late, with a clock that was wrong when it was taken.
    """
    place = bisect_right(spans, value, key=lambda span: span[0])
    return place == 0 or value <= spans[place - 1][1]


def _note_refused(sequence: Sequence, value: int, received_ms: int) -> Sequence:
    spans = sequence.spans
    if not spans or not spans[0][0] <= value <= spans[-1][1] + FARTHEST_AHEAD:
        return sequence
    return replace(sequence, spans=_insert(spans, value, received_ms))


def _find_base(sequence: Sequence, received_ms: int) -> Sequence:
    """Settle whether the first span begins where the counter began."""
    if sequence.base_known or not sequence.spans:
        return sequence
    first, _, opened_ms = sequence.spans[0]
    if first <= 1 or received_ms - opened_ms >= BASE_WAIT_MS:
        return replace(sequence, base_known=True)
    return sequence


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
    if after and after[0][0] == value + 1:
        high, after = after[0][1], after[1:]
    elif after:  # something of this hole has come: more may
        after = ((after[0][0], after[0][1], received_ms), *after[1:])
    opened_ms = received_ms
    if before and before[-1][1] == value - 1:
        low, opened_ms, before = before[-1][0], before[-1][2], before[:-1]
    return (*before, (low, high, opened_ms), *after)[:MOST_SPANS]
