"""Times of the week: read as written, and true by the clock on the wall in every zone."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import cache
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alerts.hours import ALWAYS, DAYS, Hours, Span, inside, next_start_ms, parse

MINUTE_MS = 60_000
ZONES = (
    "UTC",
    "Europe/Berlin",  # an hour, at night
    "America/St_Johns",  # half an hour off the full hour
    "Australia/Lord_Howe",  # clocks change by half an hour
    "America/Santiago",  # at midnight: the day begins at 01:00
    "Asia/Kathmandu",  # never; a quarter of an hour off
)
"""Zones of the tz database that differ in how their clocks change."""

BEGIN = datetime(2026, 1, 1, tzinfo=UTC)
MINUTES = 366 * 1440 + 8 * 1440


def ms(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1000)


@cache
def readings(zone: str) -> list[int]:
    """Give, for each minute of a year and a week, what the wall shows as minutes since Monday 00:00.

    By the standard library's own conversion, minute by minute.
    """
    shown: list[int] = []
    own = ZoneInfo(zone)
    for minute in range(MINUTES):
        local = (BEGIN + timedelta(minutes=minute)).astimezone(own)
        shown.append(local.weekday() * 1440 + local.hour * 60 + local.minute)
    return shown


def covered(hours: Hours) -> list[bool]:
    """Give for each minute of the week whether it is inside, by counting the minutes out."""
    found = [False] * 10_080
    for span in hours.spans:
        end_min = span.end_min if span.end_min > span.begin_min else span.end_min + 1440
        for day in span.days:
            for minute in range(span.begin_min, end_min):
                found[(day * 1440 + minute) % 10_080] = True
    return found


minutes = st.integers(0, 1439)
spans = st.builds(
    lambda days, begin, length: Span(
        days=days, begin_min=begin, end_min=(begin + length - 1) % 1440 + 1
    ),
    st.frozensets(st.integers(0, 6), min_size=1),
    minutes,
    st.integers(1, 1439),
)
hours = st.builds(
    lambda found: Hours(spans=tuple(found)), st.lists(spans, min_size=1, max_size=4)
)


@given(hours, st.sampled_from(ZONES))
@settings(max_examples=60, deadline=None)
def test_a_year_walked_minute_by_minute_agrees(own: Hours, zone: str) -> None:
    table, shown = covered(own), readings(zone)
    begin_ms = round(BEGIN.timestamp() * 1000)
    place = ZoneInfo(zone)
    upcoming = None
    # Backwards, so that the next minute inside is known at each.
    for minute in range(MINUTES - 1, -1, -1):
        if table[shown[minute]]:
            upcoming = minute
        # All minutes around each beginning and end would take too long; a prime stride meets them all.
        if minute % 997 or minute >= MINUTES - 8 * 1440:
            continue
        time_ms = begin_ms + minute * MINUTE_MS
        assert inside(own, time_ms, place) is (upcoming == minute)
        assert upcoming is not None
        assert next_start_ms(own, time_ms, place) == begin_ms + upcoming * MINUTE_MS


@pytest.mark.parametrize("zone", ZONES)
def test_every_minute_around_a_change_of_clocks_agrees(zone: str) -> None:
    shown, place = readings(zone), ZoneInfo(zone)
    begin_ms = round(BEGIN.timestamp() * 1000)
    changes = [
        minute
        for minute in range(1, MINUTES)
        if (shown[minute] - shown[minute - 1]) % 10_080 != 1
    ]
    assert len(changes) == (0 if zone in ("UTC", "Asia/Kathmandu") else 2)
    own = parse("sat-sun 23:45-00:20, sun 01:15-01:45, sun 02:10-02:20, mon 06:00-07:00")
    table = covered(own)
    for change in changes:
        for minute in range(change - 200, change + 200):
            upcoming = next(at for at in range(minute, MINUTES) if table[shown[at]])
            time_ms = begin_ms + minute * MINUTE_MS
            assert inside(own, time_ms, place) is (upcoming == minute)
            found_ms = next_start_ms(own, time_ms, place)
            assert found_ms == begin_ms + upcoming * MINUTE_MS


def test_the_night_on_which_clocks_go_forward_begins_where_the_hour_left_out_ends() -> None:
    # Europe/Berlin, 2026-03-29: 02:00 becomes 03:00 (Directive 2000/84/EC: last Sunday in March, 01:00 UTC).
    zone = ZoneInfo("Europe/Berlin")
    asked = ms("2026-03-29T00:50:00+00:00")
    assert next_start_ms(parse("sun 02:30-05:00"), asked, zone) == ms("2026-03-29T01:00:00Z")
    # A span wholly within the hour left out is not met that week.
    assert next_start_ms(parse("sun 02:10-02:20"), asked, zone) == ms(
        "2026-04-05T02:10:00+02:00"
    )


def test_the_hour_that_comes_twice_is_inside_twice() -> None:
    zone = ZoneInfo("Europe/Berlin")
    own = parse("sun 02:00-03:00")
    for utc in ("2026-10-25T00:30:00Z", "2026-10-25T01:30:00Z"):
        assert inside(own, ms(utc), zone)
    assert not inside(own, ms("2026-10-25T02:00:00Z"), zone)


def test_seconds_count() -> None:
    own = parse("mon 06:00-18:00")
    begins = ms("2026-06-15T06:00:00Z")
    assert not inside(own, begins - 1, UTC)
    assert inside(own, begins, UTC)
    assert inside(own, ms("2026-06-15T18:00:00Z") - 1, UTC)
    assert not inside(own, ms("2026-06-15T18:00:00Z"), UTC)
    assert next_start_ms(own, begins - 1, UTC) == begins


@pytest.mark.parametrize(
    ("text", "inside_at", "outside_at"),
    [
        # 2026-06-15 is a Monday (calendar of the standard library).
        ("mon-fri 06:00-18:00", ["15T06:00", "19T17:59"], ["20T12:00", "15T05:59", "15T18:00"]),
        ("fri-mon 22:00-06:00", ["19T22:00", "16T05:59", "22T23:00"], ["17T23:00", "18T05:00"]),
        ("sat, sun 08:00 - 12:00", ["20T08:00", "21T11:59"], ["19T09:00", "20T12:00"]),
        ("06:00-07:00", ["15T06:30", "21T06:30"], ["15T07:00"]),
        ("Daily 6:00-7:00", ["15T06:30", "21T06:30"], ["15T07:00"]),
        ("Monday - Wednesday 00:00-24:00", ["15T00:00", "17T23:59"], ["18T00:00", "21T23:59"]),
        ("mon 01:00-02:00, mon 01:30-03:00", ["15T01:00", "15T02:59"], ["15T03:00"]),
    ],
)
def test_what_is_written_is_what_is_meant(
    text: str, inside_at: list[str], outside_at: list[str]
) -> None:
    own = parse(text)
    for at in inside_at:
        assert inside(own, ms(f"2026-06-{at}:00Z"), UTC), at
    for at in outside_at:
        assert not inside(own, ms(f"2026-06-{at}:00Z"), UTC), at


@given(st.integers(0, 4 * 10**12), st.sampled_from(ZONES))
def test_always_is_always(time_ms: int, zone: str) -> None:
    assert parse("always") == ALWAYS
    assert next_start_ms(ALWAYS, time_ms, ZoneInfo(zone)) == time_ms


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "names no hours"),
        ("mon-fri", "has no times"),
        ("mon 06:00-18:00, sat", "'sat' has no times"),
        ("mo-fr 06:00-18:00", "'mo' is no day; write mon, tue"),
        ("mon 6-18", "has no times"),
        ("mon 06:00", "is no time of the week"),
        ("mon 06:00-18:00,", "is no time of the week"),
        ("mon 23:00-25:00", "'25:00' is no time of day"),
        ("mon 06:60-07:00", "'06:60' is no time of day"),
        ("mon 06:00-06:00", "has no length"),
        ("mon 24:00-06:00", "has no length"),
        ("٠٦:٠٠-٠٧:٠٠", "is no time of the week"),
    ],
)
def test_what_cannot_be_read_is_said(text: str, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        parse(text)


@given(st.text(st.sampled_from("monfri -,:0123456789٠"), max_size=30) | st.text(max_size=30))
def test_any_text_is_read_or_refused(text: str) -> None:
    try:
        own = parse(text)
    except ValueError:
        return
    assert own.spans


@given(hours)
def test_hours_written_out_are_read_back(own: Hours) -> None:
    def clock(minute: int) -> str:
        return f"{minute // 60:02d}:{minute % 60:02d}"

    written = ", ".join(
        f"{' '.join(DAYS[day] for day in sorted(span.days))} "
        f"{clock(span.begin_min)}-{clock(span.end_min)}"
        for span in own.spans
    )
    assert parse(written).spans == own.spans
