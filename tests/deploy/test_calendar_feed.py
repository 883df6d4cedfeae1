"""The calendar feed, read by two independent readers and laid beside the rules of RFC 5545."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from itertools import count, pairwise
from typing import Any
from zoneinfo import ZoneInfo

import pytest
import vobject
from hypothesis import given, settings
from hypothesis import strategies as st
from icalendar import Calendar

from deploy.calendar_feed import Feed, feed
from deploy.service_events import ServiceEvent, follow
from models.due import Due
from models.units import METRIC, Units

DAY_MS = 86_400_000
NOON = 1_767_268_800_000
"""1 January 2026, noon."""

NAN = float("nan")


def due(days: float | None, *, spread: float = 10.0, overdue: bool = False) -> Due:
    """Give a date so many days after noon; None: none within sight."""
    middle = None if days is None else NOON + round(days * DAY_MS)
    width = 0 if overdue else round(spread * DAY_MS)
    return Due(
        reason="heat",
        overdue=overdue,
        median_ms=middle,
        early_ms=None if middle is None else middle - width,
        late_ms=None if middle is None else middle + width,
        share_by_heat=0.7,
        share_by_distance=0.4,
        share_by_age=NAN,
        distance_km=10_000.0,
        distance_limit_km=48_000.0,
        age_days=NAN,
        age_limit_days=730.0,
    )


def numbered() -> Callable[[], str]:
    numbers = count(1)
    return lambda: f"id-{next(numbers)}"


def event(
    held: ServiceEvent | None = None,
    found: Due | None = None,
    *,
    vehicle: str = "NF-01",
    services: int = 0,
    now_ms: int = NOON,
    new_id: Callable[[], str] = lambda: "first",
) -> ServiceEvent:
    return follow(
        held,
        vehicle,
        found or due(30),
        services=services,
        now_ms=now_ms,
        zone=UTC,
        new_id=new_id,
    )


def written(*events: ServiceEvent, title: str = "Service dates", **names: str) -> Feed:
    return feed(events, title=title, units=METRIC, names=names)


def unfolded(body: bytes) -> list[str]:
    """Undo folding as section 3.1 says: a line break and one blank go out, on octets."""
    return body.replace(b"\r\n ", b"").decode().removesuffix("\r\n").split("\r\n")


def parsed(body: bytes) -> list[Any]:
    """Give the events of a calendar as the library reads them."""
    return list(Calendar.from_ical(body).walk("VEVENT"))


names = st.text(max_size=80)


@given(names, names)
@settings(max_examples=60, deadline=None)
def test_the_form_is_that_of_the_standard(title: str, truck: str) -> None:
    """RFC 5545, section 3.1: CRLF, at most 75 octets a line, UTF-8; section 3.6: the frame."""
    found = feed([event()], title=title, units=METRIC, names={"NF-01": truck})
    assert found.body.endswith(b"\r\n")
    lines = found.body[:-2].split(b"\r\n")
    assert not any(b"\n" in line or b"\r" in line for line in lines)
    assert max(map(len, lines)) <= 75
    for line in lines:
        line.decode()  # a fold within a letter of several octets could not be read so
    flat = unfolded(found.body)
    assert (flat[0], flat[-1]) == ("BEGIN:VCALENDAR", "END:VCALENDAR")
    assert all(re.match(r"[A-Z-]+[;:]", line) for line in flat)


@given(names, names)
@settings(max_examples=60, deadline=None)
def test_two_independent_readers_read_the_same(title: str, truck: str) -> None:
    body = feed([event()], title=title, units=METRIC, names={"NF-01": truck}).body
    (ours,) = parsed(body)
    theirs = vobject.readOne(body.decode()).vevent
    assert str(ours["SUMMARY"]) == theirs.summary.value
    assert str(ours["DESCRIPTION"]) == theirs.description.value
    assert ours["DTSTART"].dt == theirs.dtstart.value == date(2026, 1, 31)
    assert ours["DTEND"].dt == theirs.dtend.value == date(2026, 2, 1)
    assert "Service due about 31 January 2026" in theirs.description.value
    assert "8 in 10: 21 January to 10 February), by heat" in theirs.description.value


def _properties(body: bytes, component: str) -> list[str]:
    """Give the names of the properties that stand in a component itself."""
    inside: list[str] = []
    found: list[str] = []
    for line in unfolded(body):
        name = re.split("[;:]", line, maxsplit=1)[0]
        if name == "BEGIN":
            inside.append(line.partition(":")[2])
        elif name == "END":
            inside.pop()
        elif inside[-1] == component:
            found.append(name)
    return found


def test_what_the_standard_requires_is_there_once() -> None:
    """RFC 5545, sections 3.6 (PRODID, VERSION) and 3.6.1 (UID, DTSTAMP; DTSTART without a METHOD)."""
    body = written(event()).body
    calendar, own = _properties(body, "VCALENDAR"), _properties(body, "VEVENT")
    for name in ("PRODID", "VERSION"):
        assert calendar.count(name) == 1
    for name in ("UID", "DTSTAMP", "DTSTART", "DTEND", "SEQUENCE", "LAST-MODIFIED", "SUMMARY"):
        assert own.count(name) == 1
    assert "METHOD" not in calendar
    assert "DURATION" not in own  # not beside DTEND
    flat = unfolded(body)
    assert "VERSION:2.0" in flat
    assert "DTSTART;VALUE=DATE:20260131" in flat
    assert "DTEND;VALUE=DATE:20260201" in flat
    assert "DTSTAMP:20260101T120000Z" in flat


def test_an_empty_calendar_can_be_read_too() -> None:
    none = event(found=due(None))
    found = written(none)
    assert found.changed_ms == 0
    assert parsed(found.body) == []
    assert vobject.readOne(found.body.decode()).name == "VCALENDAR"


@given(st.text(alphabet=";,\\\r\n:\"'abn\u2028\x00\x07é🚚", max_size=40))
@settings(max_examples=200, deadline=None)
def test_a_title_can_put_in_no_line_of_its_own(title: str) -> None:
    """RFC 5545, section 3.3.11: comma, semicolon, backslash and line ends are escaped."""
    plain_lines = len(unfolded(written(event(), title="x").body))
    body = written(event(), title=f"{title}\r\nBEGIN:VALARM").body
    assert len(unfolded(body)) == plain_lines
    assert _properties(body, "VALARM") == []


def test_the_same_events_give_the_same_bytes() -> None:
    made = [event(), event(vehicle="NF-02", new_id=lambda: "second")]
    assert written(*made) == written(*made)


def test_a_date_that_moves_keeps_its_id_and_grows_its_sequence() -> None:
    first = event()
    same = event(first, due(30.1), now_ms=NOON + DAY_MS)
    moved = event(same, due(36), now_ms=NOON + 2 * DAY_MS)
    back = event(moved, due(30), now_ms=NOON + 3 * DAY_MS)
    assert [each.uid for each in (same, moved, back)] == ["first"] * 3
    assert [each.sequence for each in (first, same, moved, back)] == [0, 0, 1, 2]
    assert [each.changed_ms for each in (first, same, moved, back)] == [
        NOON,
        NOON,
        NOON + 2 * DAY_MS,
        NOON + 3 * DAY_MS,
    ]


def test_an_interval_that_moves_changes_the_event_but_not_its_day() -> None:
    first = event()
    wider = event(first, due(30, spread=20), now_ms=NOON + DAY_MS)
    assert (wider.sequence, wider.changed_ms) == (0, NOON + DAY_MS)


def test_after_a_service_the_next_one_is_another_event() -> None:
    first = event(new_id=numbered())
    following = event(first, due(400), services=1, now_ms=NOON + DAY_MS, new_id=lambda: "next")
    assert (first.uid, following.uid, following.sequence) == ("id-1", "next", 0)


def test_a_date_that_went_out_of_sight_comes_back_as_the_same_event() -> None:
    gone = event(event(), due(None), now_ms=NOON + DAY_MS)
    assert (gone.uid, gone.sequence, gone.days(UTC)) == ("first", 1, None)
    back = event(gone, due(30), now_ms=NOON + 2 * DAY_MS)
    assert (back.uid, back.sequence) == ("first", 2)


def test_what_is_overdue_is_seen_until_today() -> None:
    late = event(found=due(-3, overdue=True))
    assert late.days(UTC) == (date(2025, 12, 29), date(2026, 1, 2))
    today = event(late, due(-3, overdue=True), now_ms=NOON + DAY_MS)
    assert today.days(UTC) == (date(2025, 12, 29), date(2026, 1, 3))
    assert today.sequence == 1
    (read,) = parsed(written(today).body)
    assert "overdue" in read["SUMMARY"]


def test_the_day_is_that_of_the_fleet() -> None:
    """20:00 UTC on the 31st is the 1st in a zone nine hours ahead."""
    found = event(found=due(30 + 8 / 24))
    east = ZoneInfo("Asia/Tokyo")
    assert found.days(UTC) == (date(2026, 1, 31), date(2026, 2, 1))
    assert found.days(east) == (date(2026, 2, 1), date(2026, 2, 2))
    body = feed([found], title="x", units=Units(zone=east), names={}).body
    assert b"DTSTART;VALUE=DATE:20260201\r\n" in body


looks = st.lists(
    st.tuples(
        st.floats(0.1, 5.0),  # days until the next look
        st.one_of(st.none(), st.floats(-5.0, 400.0)),
        st.booleans(),  # a service done
    ),
    max_size=12,
)


@given(looks)
def test_a_reader_never_misses_a_move(steps: list[tuple[float, float | None, bool]]) -> None:
    """Whoever keeps, by id, what has the highest sequence, has the days that are shown now."""
    kept: dict[str, tuple[int, Any]] = {}
    new_id, held, services, now_ms = numbered(), None, 0, NOON
    for wait, days, done in steps:
        now_ms += round(wait * DAY_MS)
        services += done
        overdue = days is not None and days <= 0
        held = event(
            held, due(days, overdue=overdue), services=services, now_ms=now_ms, new_id=new_id
        )
        sequence, _ = kept.get(held.uid, (-1, None))
        assert held.sequence >= sequence
        assert held.changed_ms <= now_ms
        if held.sequence > sequence:
            kept[held.uid] = (held.sequence, held.days(UTC))
        assert kept[held.uid][1] == held.days(UTC)


@pytest.mark.parametrize(
    "zone", ["UTC", "America/New_York", "Australia/Lord_Howe", "Asia/Gaza"]
)
def test_every_day_of_a_year_has_its_all_day_event(zone: str) -> None:
    """A day that is 23 or 25 hours long is one day in the calendar."""
    units = Units(zone=ZoneInfo(zone))
    made = [
        event(found=due(day), vehicle=f"NF-{day}", new_id=lambda day=day: f"id-{day}")  # type: ignore[misc] # day is an int
        for day in range(366)
    ]
    body = feed(made, title="x", units=units, names={}).body
    read = sorted((each["DTSTART"].dt, each["DTEND"].dt) for each in parsed(body))
    first = datetime.fromtimestamp(NOON / 1000, units.zone).date()
    days = [first + timedelta(days=day) for day in range(367)]
    assert read == list(pairwise(days))
