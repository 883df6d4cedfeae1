"""The archive in InfluxDB 2: a point a sample, by truck and month, in a bucket of its own.

Measurements ``samples``, ``minutes`` and ``hours`` have the tags ``vehicle`` and ``month``; the latter has
part of the hash of its data, so that no series ever holds two contents. A point of the measurement ``months``
is written last: a month without it, or in which ``counts`` is false, does not count. It also has number and
check sum of each day, so that what is read is what was kept, or an error.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from functools import partial
from typing import Any, Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from ingest.archive import ArchiveAway, ArchiveError, Contents
from ingest.codec import absent, join
from ingest.influx_lines import BEYOND, head, lines, sample_columns, text
from ingest.influx_mark import (
    DAY_MS,
    MONTHS,
    SUMS,
    Day,
    Mark,
    begun,
    discarded,
    finished,
    mark_of,
    month_of,
    name_by,
    spans_of,
    summing,
    tags_of,
)
from ingest.influx_recent import Recent
from ingest.influx_session import Session, Trouble, quoted
from ingest.influx_sums import field_names, rollup_of, sum_columns
from ingest.influx_tables import Found, flux, found, rows
from ingest.rollup import Rollup

SAMPLES, OWNER = "samples", "owner"

LINES = 5000
"""Lines that are sent at once."""

SLICE_ROWS = 20_000
"""Rows that are asked for at once: the server turns them about in memory."""

EVER = (0, 2**42)
"""Times that no sample lies beyond [Unix ms]."""

_MARKS: Final[Recent[Mark]] = Recent(64)
_DAYS: Final[Recent[NDArray[Any]]] = Recent(4)

_Answer = TypeVar("_Answer")


class InfluxArchive:
    """Months in a bucket of an InfluxDB 2 server."""

    def __init__(self, session: Session, bucket: str) -> None:
        self._session = session
        self._bucket = bucket
        self._known: dict[str, Mark] | None = None

    def keep(self, contents: Contents) -> None:
        """Keep a month, see ``Archive``."""
        self._known = None
        self._told(contents.name, partial(self._keep, contents))

    def read(self, name: str, first_ms: int, last_ms: int) -> NDArray[Any]:
        """Give samples of a month, see ``Archive``."""
        mark = _MARKS.get(self._key(name)) or self._mark(name)
        wanted = [
            day
            for day in mark.days
            if day.first_ms <= last_ms and day.first_ms + DAY_MS > first_ms
        ]
        ready = {day: _DAYS.get((*self._key(name), day)) for day in wanted}
        asked = self._days(name, [day for day, samples in ready.items() if samples is None])
        for day, samples in asked.items():
            _DAYS.put((*self._key(name), day), samples)
        parts = [asked[day] if known is None else known for day, known in ready.items()]
        whole = join(parts) if parts else absent(0)
        low, high = np.searchsorted(whole["time_ms"], (first_ms, last_ms + 1))
        return join([whole[int(low) : int(high)]])

    def reread(self, name: str) -> NDArray[Any]:
        """Give all samples of a month from the server, see ``Archive``."""
        return join(list(self._days(name, self._mark(name).days).values()))

    def rollup(self, name: str, step_ms: int, signals: Sequence[str]) -> Rollup | None:
        """Give what was summed up of a month, see ``Archive``."""
        try:
            expected = self._mark(name).sums.get(SUMS[step_ms])
            if expected is None:
                return None
            month = month_of(name)
            stride = SLICE_ROWS * step_ms // DAY_MS * DAY_MS
            starts = range(month.first_ms, month.end_ms, stride)
            spans = [(start, min(start + stride, month.end_ms)) for start in starts]
            points = self._points(name, SUMS[step_ms], spans, [*field_names(signals), BEYOND])
        except ArchiveError:
            return None  # all of it follows from the samples
        return rollup_of(points, step_ms, signals) if len(points.times_ms) == expected else None

    def size(self, name: str) -> int:
        """Tell how much room a month takes, see ``Archive``: eight bytes a number, as no server says."""
        if self._known is None:
            self._known = self._all()
        mark = self._known.get(name)
        return mark.bytes if mark is not None and mark.counts else 0

    def discard(self, name: str) -> None:
        """Let go of a month; its points go with the next ``sweep``, see ``Archive``."""
        self._known = None
        if name in self._all(name):
            self._told(name, partial(self._write, [discarded(name)]))

    def names(self) -> Iterable[str]:
        """Name every month that is kept, see ``Archive``."""
        return sorted(name for name, mark in self._all().items() if mark.counts)

    def sweep(self) -> None:
        """Delete what was discarded before, and what unfinished work has left, see ``Archive``."""
        self._known = None
        for name, mark in self._all().items():
            if not mark.counts:
                _MARKS.forget(self._key(name))
                # The mark last: while it is there the next sweep finds the rest.
                for measurement in (SAMPLES, *SUMS.values(), MONTHS):
                    self._told(name, partial(self._delete, name, measurement))

    def claim(self, store: str) -> None:
        """Mark the bucket as that of a store.

        Raises
        ------
        ArchiveError
            It is another store's: each would take the other's months for what unfinished work has left.
        """
        asked = flux(self._bucket, first_ms=0, end_ms=1, tags={"_measurement": OWNER})
        answer = self._told("its owner", partial(self._session.query, asked))
        owners = {row["store"] for row in rows(answer)}
        if store and owners - {store}:
            raise ArchiveError(
                f"{self._place} is the archive of another store",
                "name another archive_bucket in [influx]",
            )
        if store and not owners:
            self._told("its owner", partial(self._write, [f"{OWNER} store={text(store)} 0"]))

    def _keep(self, contents: Contents) -> None:
        name = contents.name
        before = self._all(name).get(name)
        whole = before is not None and before.whole
        self._write([summing(name) if whole else begun(name)])
        if before is not None:  # another rule of gaps leaves out what the one before has
            for measurement in SUMS.values():
                self._delete(name, measurement)
        samples = contents.samples
        self._write(lines(_heads(SAMPLES, name), samples["time_ms"], sample_columns(samples)))
        for one in contents.rollups:
            made = lines(_heads(SUMS[one.step_ms], name), one.start_ms, sum_columns(one))
            self._write(made)
        self._write([finished(contents)])

    def _write(self, made: Sequence[str]) -> None:
        for start in range(0, len(made), LINES):
            body = "\n".join(made[start : start + LINES])
            self._session.write(self._bucket, body.encode())

    def _delete(self, name: str, measurement: str) -> None:
        tags = {"_measurement": measurement, **tags_of(name)}
        told = " AND ".join(f"{key}={quoted(value)}" for key, value in tags.items())
        month = month_of(name)
        self._session.delete(self._bucket, told, first_ms=month.first_ms, end_ms=month.end_ms)

    def _all(self, name: str | None = None) -> dict[str, Mark]:
        """Ask for what is said of every month, or of one."""
        tags = {"_measurement": MONTHS}
        first_ms, end_ms = EVER
        if name is not None:
            tags |= tags_of(name)
            first_ms = month_of(name).first_ms
            end_ms = first_ms + 1
        asked = flux(self._bucket, first_ms=first_ms, end_ms=end_ms, tags=tags)
        answer = self._told(name or "its months", partial(self._session.query, asked))
        found_rows = (row if name is None else {**row, **tags} for row in rows(answer))
        return {name_by(row): mark_of(row) for row in found_rows}

    def _mark(self, name: str) -> Mark:
        mark = self._all(name).get(name)
        if mark is None or not mark.whole:
            raise ArchiveError(f"the month {name} is missing in {self._place}", _MEND)
        _MARKS.put(self._key(name), mark)
        return mark

    def _days(self, name: str, days: Sequence[Day]) -> dict[Day, NDArray[Any]]:
        """Read days of a month and compare each with what was kept."""
        points = self._points(name, SAMPLES, spans_of(days, SLICE_ROWS))
        samples = absent(len(points.times_ms))
        samples["time_ms"] = points.times_ms
        for column in sample_columns(samples):
            samples[column.name] = points.column(column.name)
        made: dict[Day, NDArray[Any]] = {}
        for day in days:
            ends = (day.first_ms, day.first_ms + DAY_MS)
            low, high = np.searchsorted(samples["time_ms"], ends)
            made[day] = samples[int(low) : int(high)]
            if not day.fits(made[day]):
                raise ArchiveError(
                    f"the month {name} in {self._place} is damaged: it has a day with other samples "
                    f"than were kept ({len(made[day])} where {day.samples} were)",
                    _MEND,
                )
        return made

    def _points(
        self,
        name: str,
        measurement: str,
        spans: Sequence[tuple[int, int]],
        fields: Sequence[str] = (),
    ) -> Found:
        tags = {"_measurement": measurement, **tags_of(name)}
        asked = [
            flux(self._bucket, first_ms=first_ms, end_ms=end_ms, tags=tags, fields=fields)
            for first_ms, end_ms in spans
        ]
        answers = [self._told(name, partial(self._session.query, each)) for each in asked]
        return found(b"\r\n\r\n".join(answers))

    def _told(self, name: str, work: Callable[[], _Answer]) -> _Answer:
        try:
            return work()
        except Trouble as trouble:
            raise (ArchiveError if trouble.kind == "refused" else ArchiveAway)(
                f"{name} in {self._place}: {trouble.reason}", _MENDS[trouble.kind]
            ) from trouble

    def _key(self, name: str) -> tuple[str, str, str, str]:
        return self._session.access.url, self._session.access.org, self._bucket, name

    @property
    def _place(self) -> str:
        return f"the bucket {self._bucket!r} of InfluxDB at {self._session.access.url}"


_MEND = "put it back from a backup; 'heatbook history verify' looks at all of them"

_MENDS = {
    "away": "see that InfluxDB runs and can be reached; what is in the store stays there",
    "settings": "look at [influx]: url, org, token, archive_bucket; 'heatbook check' tries them",
    "refused": "look at what else writes to that bucket; it must be Heatbook's alone",
}


def _heads(measurement: str, name: str) -> Sequence[str]:
    return [head(measurement, tags_of(name))]
