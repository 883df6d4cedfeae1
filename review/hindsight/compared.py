"""A span of the fleet's past with other limits, side by side with what was: gathered from the store."""

from __future__ import annotations

from collections.abc import Callable

from ingest.archive import ArchiveError
from review.entry_rules import UnknownTruck, known_trucks
from review.hindsight.asked import Asked, check_span
from review.hindsight.found import Compared
from review.hindsight.other import check, courses_with, present_of
from review.hindsight.replaying import Progress as Replaying
from review.hindsight.truck import TruckFound, look
from review.problems import BadSettings
from review.reading import Reader, no_account
from review.store import Readable
from review.trucks import CourseOf

Progress = Callable[[str, float], None]
"""Told which truck is looked at, and what share of all is done [0..1]. It raises to stop the work."""


def compared(
    store: Readable, reader: Reader, asked: Asked, *, progress: Progress = lambda *_: None
) -> Compared:
    """Run trucks through a span of their past with what holds now and with what would be different.

    Nothing is written.

    Raises
    ------
    Mistake
        The span, the truck, or what would be different is none.
    """
    check_span(asked)
    present = present_of(reader.courses)
    check(asked.other, present)
    courses = courses_with(reader.fleet, present, asked.other)
    names = _names(store, reader, asked)
    seen: list[TruckFound] = []
    left_out: list[tuple[str, str]] = []
    for place, name in enumerate(names):

        def on(done_ms: int, all_ms: int, place: int = place, name: str = name) -> None:
            progress(name, (place + done_ms / all_ms) / len(names))

        on(0, 1)
        one = _look(store, reader, name, courses, asked, on)
        if isinstance(one, str):
            left_out.append((name, one))
        else:
            seen.append(one)
    found = [each for one in seen for each in one.found]
    return Compared(
        asked=asked,
        found=tuple(sorted(found, key=lambda each: (each.matter.first_ms, each.truck))),
        counts=tuple(each.count for each in seen),
        left_out=tuple(left_out),
        samples=sum(each.samples for each in seen),
    )


def _look(
    store: Readable,
    reader: Reader,
    name: str,
    courses: CourseOf,
    asked: Asked,
    progress: Replaying,
) -> TruckFound | str:
    """Look back at one truck, or say why that cannot be."""
    try:
        with store.read() as conn:
            stored = reader.truck(conn, name)
        if stored.held is None:
            return no_account(name, stored.standing)
        return look(store, stored, courses(name, stored.entries), asked, progress)
    except (ArchiveError, BadSettings) as error:
        return str(error)


def _names(store: Readable, reader: Reader, asked: Asked) -> list[str]:
    with store.read() as conn:
        known = known_trucks(conn, reader.fleet)
    if asked.truck is None:
        return sorted(known)
    if asked.truck not in known:
        raise UnknownTruck(asked.truck, known)
    return [asked.truck]
