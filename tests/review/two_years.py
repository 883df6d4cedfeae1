"""A store that holds the invented fleet's two years, made once for a version of the code."""

from __future__ import annotations

import tempfile
from functools import cache
from pathlib import Path

from deploy.database import Database
from deploy.fleet import load_fleet
from deploy.past_cache import copy_of_past
from deploy.two_years import Past, take_in
from models.fleet import Fleet
from review.model_version import model_version
from review.reading import Reader
from review.trucks import CourseOf, courses_of
from simulator.years.moments import END_MS, START_MS
from simulator.years.northfold import years_file

MAX_GAP_S = 300.0


@cache
def years_fleet() -> Fleet:
    """The invented fleet with the fills that were in when the years begin."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "northfold.toml"
        file.write_text(years_file(), encoding="utf-8")
        return load_fleet(file)


@cache
def years_courses() -> CourseOf:
    return courses_of(years_fleet(), max_gap_s=MAX_GAP_S, silent_after_s=1800.0)


def years_reader(now_ms: int = END_MS) -> Reader:
    return Reader(
        fleet=years_fleet(),
        courses=years_courses(),
        now_ms=lambda: now_ms,
        version=model_version(),
    )


def past(since_ms: int = START_MS, trucks: tuple[str, ...] | None = None) -> Past:
    """All of it, or the last of it, of all trucks or of some."""
    whole = Past(
        fleet=years_fleet(), courses=years_courses(), max_gap_ms=round(1000 * MAX_GAP_S)
    )
    if trucks is None and since_ms == START_MS:
        return whole
    return Past(
        fleet=whole.fleet,
        courses=whole.courses,
        max_gap_ms=whole.max_gap_ms,
        since_ms=since_ms,
        trucks=trucks or whole.trucks,
    )


def _make(folder: Path) -> None:
    database = Database(folder / "heatbook.db", synchronous="off")
    take_in(database, past())
    database.close()


def two_years_store(folder: Path) -> Database:
    """Give a store of one's own that holds the two years; the first one takes half a minute."""
    copy_of_past(folder, _make)
    return Database(folder / "heatbook.db", synchronous="off")
