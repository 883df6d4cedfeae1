"""The pages of the web server and of reports in a real browser: on a small phone, by day and by night."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta

import pytest

from alerts.answer import Answered, Verdict
from alerts.ledger import Alarm
from alerts.page import report_page
from alerts.teller import Teller
from deploy import week
from deploy.truck_week import HotHour, TruckWeek
from deploy.week import Week
from deploy.week_pictures import pictures
from models.transition import Priority
from models.units import US
from review.kinds import WORDS
from review.web import answer_words, pages
from review.web.guard import OURS
from tests.alerts.browser import NARROW, look, need_chromium
from tests.alerts.contrast import contrast
from tests.alerts.store import MINUTE, NOON
from tests.deploy.test_calendar_feed import due

DAY_MS = 86_400_000
TELLER = Teller(words=WORDS, units=US, names={"NF-01": "Yard pickup for flat tow"})
ALARM = Alarm(
    id="0123456789abcdef0123",
    vehicle="NF-01",
    kind="gateway_silent",
    onset_ms=NOON,
    raised_ms=NOON,
    priority=Priority.HIGH,
    probability=1.0,
    evidence={"quiet_minutes": 31.0},
    first_seen_ms=NOON,
)
LONG = "Averyveryverylongwordwithoutanyblanktobreakitatanywhereonthispageatall" * 2


def one(verdict: Verdict) -> pages.Page:
    known = replace(ALARM, acknowledged_ms=NOON + MINUTE, acknowledged_by=LONG, comment=LONG)
    return answer_words.one(Answered(alarm=known, verdict=verdict), TELLER, ask_name=True)


def many() -> pages.Page:
    levels = zip(Priority, (True, False, True, True), strict=True)
    alarms = [replace(ALARM, priority=each, active=active) for each, active in levels]
    found = [Answered(alarm=each, verdict=Verdict.OPEN) for each in alarms]
    return answer_words.several(found, TELLER, ask_name=True)


def summary() -> str:
    first = date(2026, 1, 1)
    trucks = [
        TruckWeek(
            name=f"NF-{nth:02}",
            life_used=0.1 * nth,
            life_low=0.05 * nth,
            life_high=0.2 * nth,
            life_gained=None if nth == 3 else 0.01 * nth,
            distance_km=1234.0 * nth,
            seen_s=3600.0 * nth,
            above_s=600.0 * nth,
            limit_c=121.0,
            hottest=(HotHour(start_ms=NOON, mean_c=100.0 + 3.0 * nth),),
            peaks_c=tuple(
                (first + timedelta(days=day), 95.0 + 3.0 * nth + day) for day in range(7)
            ),
            due=due(30),
        )
        for nth in range(1, 15)
    ]
    found = Week(
        since_ms=NOON,
        until_ms=NOON + 7 * DAY_MS,
        trucks=trucks,
        now=(),
        alarms=[ALARM],
        services_ms=30 * DAY_MS,
    )
    drawn = pictures(found, US, TELLER.names)
    assert [each.name for each in drawn] == ["life", "days"]
    assert "12 of 14" not in drawn[0].alt  # what it shows is said, not how many it leaves out
    return report_page(week.report(found, TELLER, drawn))


PAGES: dict[str, Callable[[], str]] = {
    "open": lambda: pages.written(one(Verdict.OPEN)),
    "done": lambda: pages.written(one(Verdict.DONE)),
    "came again": lambda: pages.written(one(Verdict.CAME_AGAIN)),
    "several": lambda: pages.written(many()),
    "our fault": lambda: pages.written(OURS),
    "week": summary,
}


@pytest.mark.parametrize("dark", [False, True], ids=["day", "night"])
@pytest.mark.parametrize("name", PAGES)
def test_it_fits_a_small_phone_and_can_be_read(name: str, dark: bool) -> None:
    """WCAG 2, success criteria 1.4.10 (no scrolling sideways) and 1.4.3 (contrast 4.5)."""
    need_chromium()
    seen = look(PAGES[name](), dark=dark)
    assert seen.dark is dark
    assert seen.width <= NARROW
    assert seen.headings[0] == 1
    assert seen.headings.count(1) == 1
    steps = zip(seen.headings, seen.headings[1:], strict=False)
    assert all(after - before <= 1 for before, after in steps)
    poor = [each for each in seen.pairs if contrast(each.ink, each.ground) < 4.5]
    assert poor == []
