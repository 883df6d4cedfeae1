"""Lists of alarms: the past page by page, whatever comes between, and what stands in order."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts import ledger
from alerts.alarm import State
from alerts.ledger import Alarm
from alerts.life_rules import HoldRules
from models.transition import Priority
from review.alarm_acts import Seen, seen_of
from review.alarm_list import Mark, Wanted, past_alarms, standing_alarms
from tests.alerts.store import memory

KINDS = ("bypass_stuck", "over_temperature")
TRUCKS = ("NF-01", "NF-02")


def made(
    nth: int, onset_ms: int, truck: str, kind: str, state: State, priority: Priority
) -> Alarm:
    return Alarm(
        id=f"{nth:020x}",
        vehicle=truck,
        kind=kind,
        onset_ms=onset_ms,
        raised_ms=onset_ms,
        active=state in (State.UNACKNOWLEDGED, State.ACKNOWLEDGED),
        state=state,
        priority=priority,
        probability=1.0,
        evidence={},
        first_seen_ms=onset_ms,
    )


rows = st.tuples(
    st.integers(0, 5),  # few onsets: many are alike
    st.sampled_from(TRUCKS),
    st.sampled_from(KINDS),
    st.sampled_from([State.NORMAL, State.NORMAL, State.UNACKNOWLEDGED, State.RETURNED]),
    st.sampled_from(list(Priority)),
)
ledgers = st.lists(rows, max_size=30).map(
    lambda found: [made(nth, *each) for nth, each in enumerate(found)]
)
wanteds = st.builds(
    Wanted,
    truck=st.none() | st.sampled_from(TRUCKS),
    kind=st.none() | st.sampled_from(KINDS),
    priority=st.none() | st.sampled_from(list(Priority)),
)


def fits(alarm: Alarm, wanted: Wanted) -> bool:
    return (
        wanted.truck in (None, alarm.vehicle)
        and wanted.kind in (None, alarm.kind)
        and alarm.priority >= (wanted.priority or 0)
    )


def pages(conn: sqlite3.Connection, wanted: Wanted, limit: int) -> Iterator[list[Alarm]]:
    after: Mark | None = None
    while True:
        page = past_alarms(conn, wanted, after=after, limit=limit)
        yield list(page.alarms)
        if page.next is None:
            return
        after = Mark.of(str(page.next))
        assert after == page.next


@given(found=ledgers, wanted=wanteds, limit=st.integers(1, 7))
def test_the_pages_together_are_the_past_newest_first(
    found: list[Alarm], wanted: Wanted, limit: int
) -> None:
    conn = memory()
    for each in found:
        ledger.save(conn, each)
    shown = [each for page in pages(conn, wanted, limit) for each in page]
    past = [each for each in found if each.state is State.NORMAL and fits(each, wanted)]
    assert shown == sorted(past, key=lambda each: (each.onset_ms, each.id), reverse=True)


@given(found=ledgers, late=ledgers, limit=st.integers(1, 4))
def test_what_comes_between_two_pages_shows_nothing_twice_and_hides_nothing(
    found: list[Alarm], late: list[Alarm], limit: int
) -> None:
    conn = memory()
    for each in found:
        ledger.save(conn, each)
    shown: list[str] = []
    more = [each for each in late if each.state is State.NORMAL]
    for page in pages(conn, Wanted(), limit):
        shown += [each.id for each in page]
        if more:
            each = more.pop()
            ledger.save(
                conn,
                made(
                    10**9 + len(more),
                    each.onset_ms,
                    "NF-03",
                    each.kind,
                    each.state,
                    each.priority,
                ),
            )
    assert len(shown) == len(set(shown))
    assert {each.id for each in found if each.state is State.NORMAL} <= set(shown)


@given(found=ledgers, wanted=wanteds)
def test_what_stands_is_listed_with_the_most_urgent_first(
    found: list[Alarm], wanted: Wanted
) -> None:
    conn = memory()
    for each in found:
        ledger.save(conn, each)
    listed = [row.alarm for row in standing_alarms(conn, wanted, now_ms=10, rules=HoldRules())]
    stand = [each for each in found if each.state is not State.NORMAL and fits(each, wanted)]
    assert {each.id for each in listed} == {each.id for each in stand}
    active = [each.active for each in listed]
    assert active == sorted(active, reverse=True)
    for group in (True, False):
        priorities = [each.priority for each in listed if each.active is group]
        assert priorities == sorted(priorities, reverse=True)


@given(text=st.text(max_size=40))
def test_a_mark_that_is_none_is_read_as_none_or_written_back_alike(text: str) -> None:
    mark = Mark.of(text)
    assert mark is None or Mark.of(str(mark)) == mark


@pytest.mark.parametrize("text", ["", "-", "5", "5-", "-ab", "9" * 19 + "-ab", "5-a'b", "٣-ab"])
def test_what_is_no_mark_is_none(text: str) -> None:
    assert Mark.of(text) is None


@given(
    seen=st.lists(
        st.builds(
            Seen,
            alarm_id=st.text("0123456789abcdef", min_size=20, max_size=20),
            turn=st.integers(0, 999_999_999),
            priority=st.sampled_from(list(Priority)),
        )
    )
)
def test_what_stood_on_a_page_is_read_back(seen: list[Seen]) -> None:
    assert list(seen_of(" ".join(map(str, seen)))) == seen
