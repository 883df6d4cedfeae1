"""What a notice about a service date says."""

from __future__ import annotations

import math
import sqlite3
from dataclasses import replace
from datetime import UTC

import pytest

from alerts.date_words import TOLD_BY, TOLD_MS, moved_words
from alerts.notice import Notice
from alerts.phrases import MANUAL_FIRST
from alerts.service_date import DateRules, Outlook, review
from alerts.short_form import LENGTH
from models.cautions import HOT_FLUID
from models.detectors.service_due import SERVICE_DUE
from models.due import DISTANCE, HEAT
from models.transition import Priority
from models.units import METRIC
from tests.alerts.service_dates import DAY, due, numbers, outlook, raised
from tests.alerts.store import NOON, POLICY, memory, worded, write


def notices(conn: sqlite3.Connection, day: float, seen: Outlook) -> list[Notice]:
    """Give the notices of the desk after a look."""
    review(
        conn,
        {"NF-01": seen},
        now_ms=NOON + round(day * DAY),
        rules=DateRules(),
        policy=POLICY,
    )
    return worded(
        conn,
        NOON + round(day * DAY),
        words={SERVICE_DUE.kind: SERVICE_DUE.words},
        units=METRIC,
        zone=UTC,
        names={},
    )


def test_a_new_date_says_what_it_was_what_it_is_and_why() -> None:
    first, found = notices(raised(), 1, outlook(90, by=DISTANCE))
    assert found.subject.startswith(
        "NEW DATE LOW NF-01: Service due about 1 April 2026 (8 in 10:"
    )
    assert found.short.endswith("Before, 2 March 2026 was told.")
    assert len(found.short) <= LENGTH
    for part in (
        "THE DATE\nTold before: 2 March 2026, by heat.\nNow: 1 April 2026, by distance.",
        "That is 30 days later.",
        "WHAT WAS SEEN\nShare of each limit used: heat 85%",
        "1,200 km unseen",
        "weeks at rest move them",
        "see whether the booking still fits",
        f"- {HOT_FLUID}",
        f"- {MANUAL_FIRST}",
    ):
        assert part in found.body
    assert found.thread == (first.id,)
    assert found.id != first.id


def test_a_service_is_not_called_as_sure_as_a_measurement() -> None:
    conn = memory()
    write(conn, [replace(due(0, 60), probability=1.0)], now_ms=NOON)
    words = {SERVICE_DUE.kind: SERVICE_DUE.words}
    (found,) = worded(conn, NOON, words=words, units=METRIC, zone=UTC, names={})
    assert "HOW SURE\nDistance and age are counted" in found.body
    assert "may well be half or twice as much" in found.body
    assert "measured, not inferred" not in found.body


def test_a_date_not_followed_says_since_when_and_claims_no_more() -> None:
    _, found = notices(raised(), 20, outlook(90, data_day=1))
    assert found.subject.startswith(
        "DATE NOT FOLLOWED LOW NF-01: Service due about 2 March 2026"
    )
    assert "No data from this truck since 2 January 2026." in found.short
    assert (
        "Told before: 2 March 2026.\nNo data from this truck since 2 January 2026."
        in found.body
    )
    assert "if it stood, it may be later" in found.body
    assert found.body.endswith("UTC (UTC+00:00).\n")
    assert MANUAL_FIRST in found.body


def test_a_level_raised_by_the_clock_says_how_old_its_data_are() -> None:
    conn = memory()
    (found,) = notices(conn, 0, outlook(60, data_day=-100, priority=Priority.LOW))
    assert "HOW OLD THIS IS\nNo data from this truck since 23 September 2025." in found.body
    (first,) = notices(raised(), 0, outlook(60))
    assert "HOW OLD THIS IS" not in first.body


@pytest.mark.parametrize(
    ("before_day", "due_day", "said"),
    [
        (
            60,
            30,
            "2 March 2026, by heat.\nNow: 31 January 2026, by distance. That is 30 days sooner.",
        ),
        (math.nan, 30, "no date within sight.\nNow: 31 January 2026, by distance."),
        (60, math.nan, "2 March 2026, by heat.\nNow: no date within sight."),
    ],
)
def test_every_way_a_date_can_move_has_its_words(
    before_day: float, due_day: float, said: str
) -> None:
    before_ms = NOON + before_day * DAY
    evidence = {
        **numbers(due_day, by=DISTANCE),
        TOLD_MS: before_ms,
        TOLD_BY: float(HEAT),
    }
    assert moved_words(evidence, METRIC) == f"Told before: {said}"


def test_a_reason_that_was_not_kept_is_left_out() -> None:
    evidence = {**numbers(60), TOLD_MS: NOON + 30.0 * DAY, TOLD_BY: math.nan}
    assert moved_words(evidence, METRIC).startswith("Told before: 31 January 2026.\n")
