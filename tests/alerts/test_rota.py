"""Who is on duty: by calendar weeks of ISO 8601, as the standard library's ``isocalendar`` counts them."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from types import MappingProxyType
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.rota import Rota, Week, duty, on_duty, parse_week, week_of

ZONES = ("UTC", "Europe/Berlin", "America/Santiago", "Australia/Lord_Howe", "Asia/Kathmandu")

days = st.dates(date(2000, 1, 3), date(2099, 12, 20))
weeks = days.map(week_of)
times = st.datetimes(datetime(2015, 1, 1), datetime(2060, 1, 1), timezones=st.just(UTC)).map(  # noqa: DTZ001
    lambda at: round(at.timestamp() * 1000)
)
turns = st.lists(st.sampled_from("abcdefgh"), min_size=1, max_size=6, unique=True).map(tuple)
rotas = st.builds(
    Rota,
    key=st.just("night"),
    turn=turns,
    first=weeks,
    zone=st.sampled_from(ZONES).map(ZoneInfo),
    swaps=st.dictionaries(weeks, st.sampled_from("xyz"), max_size=5).map(MappingProxyType),
    handover_day=st.integers(0, 6),
    handover_min=st.integers(0, 1439),
)


def ms(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1000)


@given(days)
def test_weeks_are_those_of_the_calendar(day: date) -> None:
    found = week_of(day)
    assert (found.year, found.number) == day.isocalendar()[:2]
    assert found.monday <= day < found.monday + timedelta(days=7)
    assert parse_week(str(found)) == found
    # strftime's %G and %V are the C library's own count of the same weeks.
    assert str(found) == day.strftime("%G-W%V")


@given(weeks, st.integers(-600, 600))
def test_weeks_are_counted_without_a_gap(first: Week, many: int) -> None:
    assert first.after(many).since(first) == many
    assert first.after(many).after(-many) == first


@given(rotas, times)
def test_one_is_on_duty_at_any_time_and_hands_over_to_the_next_week(
    own: Rota, time_ms: int
) -> None:
    now = on_duty(own, time_ms)
    assert now.from_ms <= time_ms < now.until_ms
    following = on_duty(own, now.until_ms)
    assert following.week == now.week.after(1)
    assert following.from_ms == now.until_ms
    assert on_duty(own, now.from_ms) == now
    assert on_duty(own, now.until_ms - 1) == now


@given(rotas, times)
def test_the_week_is_that_of_the_wall_less_the_handover(own: Rota, time_ms: int) -> None:
    local = datetime.fromtimestamp(time_ms / 1000, own.zone).replace(tzinfo=None)
    since = timedelta(days=own.handover_day, minutes=own.handover_min)
    expected = week_of((local - since).date())
    found = on_duty(own, time_ms)
    # On a handover that falls into a change of clocks the wall shows its time twice, or not at all.
    begins = min(abs(time_ms - found.from_ms), abs(time_ms - found.until_ms))
    assert found.week == expected or begins <= 3_600_000


@given(rotas, weeks)
def test_the_turn_goes_round_whatever_stands_in(own: Rota, week: Week) -> None:
    size = len(own.turn)
    row = [duty(own, week.after(nth)) for nth in range(2 * size)]
    for one in row:
        assert one.swapped is (one.week in own.swaps)
        assert one.person == own.swaps.get(one.week, one.person)
    plain = [duty(replace(own, swaps={}), each.week).person for each in row]
    assert plain[:size] == plain[size:]
    assert sorted(plain[:size]) == sorted(own.turn)
    assert all(
        one.person == person for one, person in zip(row, plain, strict=True) if not one.swapped
    )


def test_the_first_of_the_turn_is_on_duty_in_the_first_week() -> None:
    own = Rota(key="night", turn=("ines", "omar"), first=Week(2026, 10), zone=UTC)
    told = [duty(own, Week(2026, 9).after(nth)).person for nth in range(4)]
    assert told == ["omar", "ines", "omar", "ines"]


def test_a_leap_week_is_one_of_the_turn() -> None:
    """2026 has 53 weeks: it begins on a Thursday (ISO 8601: such a year has a week 53)."""
    own = Rota(key="night", turn=("a", "b", "c"), first=Week(2026, 51), zone=UTC)
    row = [duty(own, Week(2026, 51).after(nth)) for nth in range(5)]
    assert [str(one.week) for one in row] == [
        "2026-W51",
        "2026-W52",
        "2026-W53",
        "2027-W01",
        "2027-W02",
    ]
    assert [one.person for one in row] == ["a", "b", "c", "a", "b"]
    assert on_duty(own, ms("2027-01-03T23:59:00Z")).week == Week(2026, 53)
    assert on_duty(own, ms("2027-01-04T00:00:00Z")).week == Week(2027, 1)


def test_duty_changes_at_the_handover() -> None:
    own = Rota(
        key="night",
        turn=("ines", "omar"),
        first=Week(2026, 25),
        zone=ZoneInfo("Europe/Berlin"),
        handover_day=0,
        handover_min=7 * 60,
    )
    assert on_duty(own, ms("2026-06-15T06:59:59+02:00")).person == "omar"
    assert on_duty(own, ms("2026-06-15T07:00:00+02:00")).person == "ines"


def test_a_handover_in_the_hour_that_comes_twice_is_one() -> None:
    # Europe/Berlin, Sunday 2026-10-25: 03:00 becomes 02:00, so that 02:30 comes twice.
    own = Rota(
        key="night",
        turn=("ines", "omar"),
        first=Week(2026, 43),
        zone=ZoneInfo("Europe/Berlin"),
        handover_day=6,
        handover_min=150,
    )
    told = [
        on_duty(own, ms(f"2026-10-25T{at}:00Z")).person
        for at in ("00:29", "00:30", "00:59", "01:15", "01:30", "02:00")
    ]
    assert told == ["omar", "ines", "ines", "ines", "ines", "ines"]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("2026-5", "is no calendar week"),
        ("2026W05", "is no calendar week"),
        ("2025-W53", "there is no week 2025-W53; 2025 has weeks 01 to 52"),
        ("2026-W54", "there is no week 2026-W54; 2026 has weeks 01 to 53"),
        ("2026-W00", "there is no week 2026-W00"),
        ("0000-W01", "there is no week 0000-W01"),
    ],
)
def test_a_week_that_is_none_is_refused(text: str, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        parse_week(text)
