"""Made-up entries of a service record: single ones, and any that hypothesis can think of."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from hypothesis import strategies as st

from ingest import record
from ingest.entry import EARLIEST_MS, standing
from ingest.entry_fields import FINDINGS, FLAGS, KINDS, NUMBERS, WORDS, with_derived
from ingest.record import STRUCK, Entry
from ingest.record_row import Defaults
from tests.recorded import HOUR_MS, NOON_MS

TRUCK = "NF-03"
DAY_MS = 24 * HOUR_MS
NOW_MS = NOON_MS + 100 * DAY_MS
DEFAULTS = Defaults(who="importer", now_ms=NOW_MS)

_PAIRED = frozenset(
    {
        "acid_mg_g",
        "acid_new_mg_g",
        "acid_rise_mg_g",
        "viscosity_mm2_s",
        "viscosity_new_mm2_s",
        "viscosity_change",
    }
)
"""Numbers of a sample that follow from each other."""


def entry(kind: str = "pan_drop", **more: Any) -> Entry:
    """Make an entry up; what is not given does not matter."""
    values: dict[str, Any] = {
        "vehicle": TRUCK,
        "kind": kind,
        "time_ms": NOON_MS,
        "who": "Kim",
        "entered_ms": NOON_MS + DAY_MS,
        **more,
    }
    return Entry(**values)


def written(conn: sqlite3.Connection) -> list[Entry]:
    """Give everything that stands in a record, truck by truck."""
    return [each for name in record.vehicles(conn) for each in record.history(conn, name)]


def nameless(entries: Iterable[Entry]) -> list[Entry]:
    """Give entries with places in the list instead of ids."""
    listed = list(entries)
    places = {each.id: place for place, each in enumerate(listed)}
    return [
        replace(
            each,
            id=place,
            supersedes=None if each.supersedes is None else places[each.supersedes],
            numbers=dict(each.numbers),
            words=dict(each.words),
        )
        for place, each in enumerate(listed)
    ]


_LETTERS = st.characters(exclude_categories=["Cc", "Cs"]) | st.sampled_from(
    "=+-@'\"\t\r\n,;#[]"
)
TEXTS = st.text(_LETTERS, max_size=20)
SPOKEN = TEXTS.filter(lambda text: bool(text.strip()))
NAMES = st.from_regex(r"[A-Za-z0-9._-]{1,8}", fullmatch=True).filter(
    lambda name: name not in (".", "..")
)


_PAIRS = st.one_of(
    st.fixed_dictionaries({"acid_rise_mg_g": st.floats(-5.0, 50.0)}),
    st.fixed_dictionaries({"viscosity_change": st.floats(-0.95, 10.0)}),
    st.fixed_dictionaries(
        {"acid_mg_g": st.floats(5.0, 50.0), "acid_new_mg_g": st.floats(0.0, 5.0)}
    ),
    st.fixed_dictionaries(
        {
            "viscosity_mm2_s": st.floats(50.0, 1000.0),
            "viscosity_new_mm2_s": st.floats(100.0, 1000.0),
        }
    ),
).map(with_derived)


@st.composite
def entries(
    draw: st.DrawFn,
    kinds: st.SearchStrategy[str] = st.sampled_from([kind for kind in KINDS if kind != STRUCK]),  # noqa: B008 - a strategy
    vehicles: st.SearchStrategy[str] = NAMES,
) -> Entry:
    """Any entry that supersedes none and has no key."""
    kind = draw(kinds)
    fields = KINDS[kind]
    names = draw(st.sets(st.sampled_from((*fields.numbers, *fields.words)))) | {
        *fields.required
    }
    if kind == "sample":
        names |= draw(st.sets(st.sampled_from(FINDINGS), min_size=1))
    if {"thermostat_open_c", "thermostat_full_c"} <= names:
        names.remove("thermostat_open_c")
    numbers = {name: draw(_number(name)) for name in fields.numbers if name in names}
    if names & _PAIRED:
        numbers = {name: value for name, value in numbers.items() if name not in _PAIRED}
        numbers |= draw(_PAIRS)
    entered_ms = draw(st.integers(EARLIEST_MS, NOW_MS))
    return Entry(
        vehicle=draw(vehicles),
        kind=kind,
        time_ms=draw(st.integers(EARLIEST_MS, entered_ms + DAY_MS)),
        numbers=numbers,
        words={name: draw(_word(name)) for name in fields.words if name in names},
        note=draw(TEXTS),
        who=draw(SPOKEN),
        entered_ms=entered_ms,
    )


@st.composite
def _books(draw: st.DrawFn) -> list[Entry]:
    trucks = draw(st.lists(NAMES, min_size=1, max_size=3, unique=True))
    book: list[Entry] = []
    for number in range(1, draw(st.integers(1, 8)) + 1):
        new = draw(entries(vehicles=st.sampled_from(trucks)))
        open_ones = standing(book)
        corrects = draw(st.booleans())
        if open_ones and corrects:
            old = draw(st.sampled_from(open_ones))
            new = replace(new, vehicle=old.vehicle, supersedes=old.id)
            if draw(st.booleans()):
                new = replace(new, kind=STRUCK, numbers={}, words={})
        key = f"{number}{draw(SPOKEN)}" if draw(st.booleans()) else None
        book.append(replace(new, id=number, key=key))
    return book


BOOKS = _books()
"""Any record: entries of a few trucks, some with keys, corrected and struck out; ids from 1 on."""


def _number(name: str) -> st.SearchStrategy[float]:
    if name in FLAGS:
        return st.sampled_from([0.0, 1.0])
    return st.floats(NUMBERS[name].lowest, NUMBERS[name].highest)


def _word(name: str) -> st.SearchStrategy[str]:
    return st.sampled_from(WORDS[name]) if WORDS[name] else SPOKEN
