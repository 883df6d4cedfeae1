"""When services are due: the list, the calendar and who could come together.

Outside reference for the calendar: ``calendar.monthcalendar`` of the standard library, and ``datetime``.
"""

from __future__ import annotations

import calendar
import math
from collections import Counter
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from hypothesis import given
from hypothesis import strategies as st

from models.due import Due
from review.services_due import ServiceDue, in_order, month_of, today_of, together

DAY_MS = 86_400_000
ZONES = [
    ZoneInfo(name) for name in ("UTC", "America/Denver", "Pacific/Kiritimati", "Asia/Kolkata")
]
NOW = datetime(2026, 6, 16, 14, tzinfo=UTC)
NOW_MS = round(NOW.timestamp() * 1000)


def due(median_ms: int | None, *, overdue: bool = False, share: float = 0.5) -> Due:
    return Due(
        reason="heat",
        overdue=overdue,
        median_ms=median_ms,
        early_ms=median_ms,
        late_ms=median_ms,
        share_by_heat=share,
        share_by_distance=0.1,
        share_by_age=math.nan,
        distance_km=1.0,
        distance_limit_km=10.0,
        age_days=math.nan,
        age_limit_days=730.0,
    )


def service(truck: str, when: Due | None) -> ServiceDue:
    return ServiceDue(
        truck=truck, title=truck, standing="good", waiting=False, due=when, account=None
    )


moments = st.integers(NOW_MS - 900 * DAY_MS, NOW_MS + 1800 * DAY_MS)
dues = st.one_of(
    st.none(),
    st.just(due(None)),
    moments.map(lambda at_ms: due(at_ms, overdue=at_ms <= NOW_MS)),
)
fleets = st.lists(dues, max_size=30).map(
    lambda found: [service(f"NF-{nth:02}", each) for nth, each in enumerate(found)]
)


@given(year=st.integers(1971, 2199), month=st.integers(1, 12), zone=st.sampled_from(ZONES))
def test_the_weeks_of_a_month_are_those_of_the_standard_library(
    year: int, month: int, zone: ZoneInfo
) -> None:
    laid = month_of([], date(year, month, 1), today=NOW.date(), zone=zone)
    days = [[day.date.day if day.within else 0 for day in week] for week in laid.weeks]
    assert days == calendar.monthcalendar(year, month)
    flat = [day.date for week in laid.weeks for day in week]
    assert flat == [flat[0] + timedelta(days=nth) for nth in range(len(flat))]
    assert laid.before == (date(year, month, 1) - timedelta(days=1)).replace(day=1)
    assert laid.after == (date(year, month, 28) + timedelta(days=4)).replace(day=1)


@given(fleet=fleets, zone=st.sampled_from(ZONES))
def test_each_truck_that_is_due_stands_on_one_day_and_that_is_its_own(
    fleet: list[ServiceDue], zone: ZoneInfo
) -> None:
    today = NOW.astimezone(zone).date()
    assert today_of(NOW_MS, zone) == today
    stands: Counter[str] = Counter()
    month: date | None = today.replace(day=1)
    for _ in range(64):  # five years and a little
        assert month is not None
        laid = month_of(fleet, month, today=today, zone=zone)
        for day in (day for week in laid.weeks for day in week):
            for each in day.services:
                stands[each.truck] += 1
                assert each.due is not None
                assert each.due.median_ms is not None
                own = datetime.fromtimestamp(each.due.median_ms / 1000, zone).date()
                assert day.date == max(own, today)
        month = laid.after
    asked = {each.truck for each in fleet if each.due and each.due.median_ms is not None}
    assert stands == dict.fromkeys(asked, 1)


@given(fleet=fleets)
def test_the_list_holds_everybody_overdue_first_then_by_date(fleet: list[ServiceDue]) -> None:
    listed = in_order(fleet)
    assert Counter(each.truck for each in listed) == Counter(each.truck for each in fleet)
    ranks = [
        3
        if each.due is None
        else 2
        if each.due.median_ms is None
        else int(not each.due.overdue)
        for each in listed
    ]
    assert ranks == sorted(ranks)
    dates = [
        each.due.median_ms
        for each in listed
        if each.due and each.due.median_ms is not None and not each.due.overdue
    ]
    assert dates == sorted(dates)


def test_of_what_is_overdue_the_most_used_comes_first() -> None:
    late = [
        service("a", due(NOW_MS - DAY_MS, overdue=True, share=1.1)),
        service("b", due(NOW_MS, overdue=True, share=2.0)),
    ]
    assert [each.truck for each in in_order(late)] == ["b", "a"]


@given(fleet=fleets, zone=st.sampled_from(ZONES))
def test_who_could_come_together_is_due_within_one_week(
    fleet: list[ServiceDue], zone: ZoneInfo
) -> None:
    today = NOW.astimezone(zone).date()
    weeks = together(fleet, today=today, zone=zone, most=1000)
    assert [week.monday for week in weeks] == sorted({week.monday for week in weeks})
    named = [each.truck for week in weeks for each in week.services]
    assert len(named) == len(set(named))
    for week in weeks:
        assert week.monday.weekday() == calendar.MONDAY
        assert len(week.services) > 1
    # Whoever is not named is alone in their week, by ISO 8601.
    days = {each.truck: each.day(zone, today) for each in fleet}
    iso = Counter(day.isocalendar()[:2] for day in days.values() if day)
    alone = {truck for truck, day in days.items() if day and iso[day.isocalendar()[:2]] == 1}
    assert alone == {truck for truck, day in days.items() if day} - set(named)
    assert together(fleet, today=today, zone=zone, most=2) == weeks[:2]
