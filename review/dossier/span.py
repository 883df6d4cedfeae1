"""What a review looks at: since when, up to when."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ingest.held import Held
from ingest.record import Entry
from models.layout import record
from models.units import rfc3339
from review.dossier.facts import Span
from review.problems import Mistake

USUAL_DAYS = 14
"""How many days before the end are looked at minute by minute unless told otherwise [d]."""

MOST_DAYS = 60
"""How many at most [d]: a picture of more shows nothing."""

DAY_MS = 86_400_000

AFTERWARDS_MS = 31 * DAY_MS
"""So long after the end another gearbox is still taken for its consequence [ms]."""

GEARBOX = "gearbox"


def checked_days(days: int) -> int:
    """Refuse a number of days that makes no picture."""
    if not 1 <= days <= MOST_DAYS:
        raise Mistake(f"{days} days cannot be looked at closely; ask for 1 to {MOST_DAYS}")
    return days


def gearbox_ms(entries: Sequence[Entry], until_ms: int) -> int | None:
    """Give when the gearbox of a time [Unix ms] went in, by the record."""
    times = [each.time_ms for each in entries if each.kind == GEARBOX]
    return max((each for each in times if each < until_ms), default=None)


def out_of_the_day(entries: Sequence[Entry], start_ms: int, end_ms: int) -> int:
    """Give the end of a review up to a day: of a gearbox replaced on it, the one that came out is meant."""
    times = [each.time_ms for each in entries if each.kind == GEARBOX]
    return min((each for each in times if start_ms <= each < end_ms), default=end_ms)


def replaced_ms(entries: Sequence[Entry], until_ms: int) -> int | None:
    """Give when the gearbox was replaced soon after [Unix ms]."""
    times = [each.time_ms for each in entries if each.kind == GEARBOX]
    after = [each for each in times if until_ms <= each < until_ms + AFTERWARDS_MS]
    return min(after, default=None)


def bounds(
    truck: str, stored: tuple[int, int], entries: Sequence[Entry], until_ms: int | None
) -> tuple[int, int]:
    """Give first sample that may count, and the end [Unix ms]; ``stored``: first and last sample at all.

    Raises
    ------
    Mistake
        Nothing lies before the end.
    """
    end_ms = stored[1] + 1 if until_ms is None else until_ms
    if end_ms <= stored[0]:
        raise Mistake(
            f"{truck}: the review would end before the first sample, of {rfc3339(stored[0])}; "
            "ask for a later end"
        )
    fitted_ms = gearbox_ms(entries, end_ms)
    first_ms = stored[0] if fitted_ms is None else max(stored[0], fitted_ms)
    if first_ms > min(stored[1], end_ms - 1):
        raise Mistake(
            f"{truck}: no sample has come since the gearbox was replaced at {rfc3339(first_ms)}; "
            "ask for an end up to then, for the one that came out"
        )
    return first_ms, end_ms


def span_of(
    held: Held, entries: Sequence[Entry], first_ms: int, until_ms: int, days: int
) -> Span:
    """Give the span; ``held`` is the truck as it was at the end."""
    fill_ms = int(record(held.state).truck.account.filling.started_ms)
    return Span(
        first_ms=first_ms,
        fill_ms=fill_ms,
        dated=bool(np.any(held.course.entries["time_ms"] == fill_ms)),
        close_ms=max(first_ms, held.last_ms + 1 - days * DAY_MS),
        last_ms=held.last_ms,
        until_ms=until_ms,
        replaced_ms=replaced_ms(entries, until_ms),
    )


def as_of(held: Held, state: np.ndarray) -> Held:
    """Give a truck as it was, from its state then."""
    return replace(held, kept=state, last_ms=int(state[0]["truck"]["latest"]["time_ms"]))
