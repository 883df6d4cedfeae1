"""Reports: asked for at their times, made beside the daemon, each sent once, whatever happens."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from structlog.testing import capture_logs

from alerts import sending
from alerts.report import ReportText
from alerts.sending import Sending
from deploy.database import Database
from deploy.report_makers import report_times
from deploy.report_section import Reports
from deploy.reporter import KEPT, Asked, Post, Reporter, asking
from deploy.schedule import REST_MS, Schedule
from tests.alerts.far_side import until

DAY_MS = 86_400_000
HOUR_MS = 3_600_000


def ms(year: int, month: int, day: int, hour: int = 0, minute: int = 0) -> int:
    return round(datetime(year, month, day, hour, minute, tzinfo=UTC).timestamp() * 1000)


@dataclass
class Paper:
    """A daemon's schedule and its reporter, by a clock that only the test moves."""

    database: Database
    zone: ZoneInfo
    reports: Reports = field(default_factory=Reports)
    now_ms: int = 0
    made: list[Asked] = field(default_factory=list)
    broken: bool = False
    readers: tuple[str, ...] = ("smtp/ines",)

    def __post_init__(self) -> None:
        self.start()

    def start(self) -> None:
        """Start anew, as after a restart of the daemon."""
        self.schedule = Schedule(self.database, self.zone, uptime_ms=lambda: self.now_ms)
        for name, trigger, span_ms in report_times(self.reports):
            self.schedule.add(name, trigger, asking(name, span_ms))
        makers = {"digest": self.make, "week": self.make}
        self.reporter = Reporter(
            self.database, makers, now_ms=lambda: self.now_ms, uptime_ms=lambda: self.now_ms
        )

    def make(self, asked: Asked) -> Sequence[Post]:
        self.made.append(asked)
        if self.broken:
            raise ValueError("our fault")
        text = ReportText(
            name=f"{asked.name}:{asked.until_ms}", subject="s", short="s", body="b"
        )
        return [(place, text) for place in self.readers]

    def go(self, until_ms: int, step_ms: int) -> None:
        """Let time pass."""
        while self.now_ms < until_ms:
            self.now_ms = min(until_ms, self.now_ms + step_ms)
            self.schedule.run_due(self.now_ms)
            self.reporter.once()

    def sent(self) -> list[Sending]:
        with self.database.read() as conn:
            return sending.sendings(conn)

    def days(self, name: str) -> list[date]:
        """Give the days, by the fleet's calendar, at which a report was made."""
        return [
            datetime.fromtimestamp(each.until_ms / 1000, self.zone).date()
            for each in self.made
            if each.name == name
        ]


@pytest.fixture
def database(tmp_path: Path) -> Iterator[Database]:
    opened = Database(tmp_path / "heatbook.db", synchronous="off")
    yield opened
    opened.close()


#: Changes of clocks: an hour forward and back, half an hour, at midnight, and of a whole day (IANA).
ZONES = (
    ("America/Denver", 2026, 3, 1),
    ("America/Denver", 2026, 10, 25),
    ("Europe/Berlin", 2026, 3, 22),
    ("Europe/Berlin", 2026, 10, 18),
    ("Australia/Lord_Howe", 2026, 4, 1),
    ("Australia/Lord_Howe", 2026, 9, 30),
    ("Africa/Cairo", 2026, 4, 18),
    ("Pacific/Apia", 2011, 12, 25),
    ("UTC", 2026, 2, 24),
)


def reached(zone: ZoneInfo, at: str, begin_ms: int, end_ms: int) -> list[date]:
    """Walk a clock on the wall by the minute: on which days does it come to, or past, a reading?"""
    found: list[date] = []
    step_ms = 60_000
    before = datetime.fromtimestamp(begin_ms / 1000, zone)
    for time_ms in range(begin_ms, end_ms + 1, step_ms):
        local = datetime.fromtimestamp(time_ms / 1000, zone)
        shown = local.strftime("%H:%M") >= at
        already = local.date() == before.date() and before.strftime("%H:%M") >= at
        if shown and not already and local.date() not in found:
            found.append(local.date())
    return found


@pytest.mark.parametrize(("name", "year", "month", "day"), ZONES)
@pytest.mark.parametrize("at", ["06:30", "02:30", "00:15"])
def test_each_day_has_its_digest_once_and_each_week_its_summary(
    database: Database, name: str, year: int, month: int, day: int, at: str
) -> None:
    reports = Reports(digest_at=at, week_at=at)  # type: ignore[arg-type] # as the file has it
    begin = ms(year, month, day)
    paper = Paper(database, ZoneInfo(name), reports, now_ms=begin)
    paper.go(begin + 1, 1)
    paper.go(begin + 15 * DAY_MS, HOUR_MS // 4)
    expected = reached(paper.zone, at, begin + 1, begin + 15 * DAY_MS)
    assert len(expected) in (14, 15, 16)
    assert paper.days("digest") == expected
    assert paper.days("week") == [each for each in expected if each.weekday() == 0]


@pytest.mark.parametrize(("name", "year", "month", "day"), ZONES)
def test_the_spans_of_digests_leave_nothing_out(
    database: Database, name: str, year: int, month: int, day: int
) -> None:
    paper = Paper(database, ZoneInfo(name), now_ms=ms(year, month, day))
    paper.go(paper.now_ms + 1, 1)
    paper.go(paper.now_ms + 10 * DAY_MS, HOUR_MS)
    spans = [(each.since_ms, each.until_ms) for each in paper.made if each.name == "digest"]
    assert all(left[1] == right[0] for left, right in pairwise(spans))
    assert spans[0][1] - spans[0][0] == DAY_MS


def test_what_was_missed_while_down_is_made_up_for_once(database: Database) -> None:
    paper = Paper(database, ZoneInfo("Europe/Berlin"), now_ms=ms(2026, 3, 20, 12))
    paper.go(paper.now_ms + 1, 1)
    paper.go(ms(2026, 3, 21, 12), HOUR_MS)
    # Down for ten days, over a change of clocks and a Monday.
    paper.now_ms = ms(2026, 3, 31, 12)
    paper.start()
    paper.go(ms(2026, 3, 31, 18), HOUR_MS)
    digests = [each for each in paper.made if each.name == "digest"]
    assert len(digests) == 2
    assert digests[1].since_ms == digests[0].until_ms
    assert len(paper.days("week")) == 1
    assert len(paper.sent()) == 3


def test_a_restart_between_asking_and_making_loses_nothing(database: Database) -> None:
    paper = Paper(database, ZoneInfo("UTC"), now_ms=ms(2026, 3, 20, 12))
    paper.schedule.run_due(paper.now_ms)
    paper.now_ms = ms(2026, 3, 21, 7)
    paper.schedule.run_due(paper.now_ms)
    assert paper.sent() == []
    paper.start()
    assert paper.reporter.once() == ["digest"]
    assert paper.reporter.once() == []
    assert len(paper.sent()) == 1


def test_a_crash_after_making_sends_it_once(database: Database) -> None:
    """What is posted and that it was made are one transaction: neither without the other."""
    paper = Paper(database, ZoneInfo("UTC"), now_ms=ms(2026, 3, 20, 12))
    paper.schedule.run_due(paper.now_ms)
    paper.now_ms = ms(2026, 3, 21, 7)
    paper.schedule.run_due(paper.now_ms)
    with database.write() as tx:
        tx.execute(
            "CREATE TRIGGER stop BEFORE INSERT ON sending WHEN NEW.destination = 'smtp/omar' "
            "BEGIN SELECT RAISE(ABORT, 'the power went'); END"
        )
    paper.readers = ("smtp/ines", "smtp/omar")
    with capture_logs():
        assert paper.reporter.once() == []
    assert paper.sent() == []
    with database.write() as tx:
        tx.execute("DROP TRIGGER stop")
    paper.start()
    assert paper.reporter.once() == ["digest"]
    assert [each.destination for each in paper.sent()] == ["smtp/ines", "smtp/omar"]


def test_a_fault_of_ours_is_told_and_tried_again_after_a_rest(database: Database) -> None:
    paper = Paper(database, ZoneInfo("UTC"), now_ms=ms(2026, 3, 20, 12), broken=True)
    paper.go(paper.now_ms + 1, 1)
    with capture_logs() as logged:
        paper.go(ms(2026, 3, 21, 6, 35), 60_000)
    failed = [each for each in logged if each["event"] == "report.failed"]
    assert [each["report"] for each in failed] == ["digest"]
    paper.broken = False
    paper.go(paper.now_ms + REST_MS, 60_000)
    assert len(paper.sent()) == 1


def test_one_that_could_not_be_made_for_days_is_made_once_for_all_of_them(
    database: Database,
) -> None:
    paper = Paper(database, ZoneInfo("UTC"), now_ms=ms(2026, 3, 17, 12), broken=True)
    paper.go(paper.now_ms + 1, 1)
    with capture_logs():
        paper.go(ms(2026, 3, 20, 12), HOUR_MS)
    paper.broken = False
    paper.go(ms(2026, 3, 20, 14), HOUR_MS)
    last = [each for each in paper.made if each.name == "digest"][-1]
    assert (last.until_ms - last.since_ms) // DAY_MS == 3
    assert len(paper.sent()) == 1


def test_nobody_who_reads_it_is_no_fault(database: Database) -> None:
    paper = Paper(database, ZoneInfo("UTC"), now_ms=ms(2026, 3, 20, 12), readers=())
    paper.go(paper.now_ms + 1, 1)
    paper.go(ms(2026, 3, 22, 12), HOUR_MS)
    assert paper.sent() == []
    assert len(paper.made) == 2


def test_what_is_off_is_not_asked_for(database: Database) -> None:
    reports = Reports(digest="off", week=False)
    assert list(report_times(reports)) == []
    paper = Paper(database, ZoneInfo("UTC"), reports, now_ms=ms(2026, 3, 20, 12))
    paper.go(ms(2026, 4, 20, 12), HOUR_MS)
    assert paper.made == []


def test_a_report_that_is_made_no_more_is_laid_aside(database: Database) -> None:
    with database.write() as tx:
        asking("of an earlier version", DAY_MS)(tx, ms(2026, 3, 20))
    paper = Paper(database, ZoneInfo("UTC"), now_ms=ms(2026, 3, 20, 12))
    assert paper.reporter.once() == ["of an earlier version"]
    assert paper.reporter.once() == []


def test_what_was_asked_is_not_kept_for_ever(database: Database) -> None:
    paper = Paper(database, ZoneInfo("UTC"), now_ms=ms(2026, 1, 1))
    paper.go(paper.now_ms + (KEPT + 20) * DAY_MS, 6 * HOUR_MS)
    with database.read() as conn:
        counts = conn.execute("SELECT count(*) FROM report_asked WHERE name = 'digest'")
        assert counts.fetchone()[0] == KEPT


def test_it_runs_beside_the_daemon_until_stopped(
    database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("deploy.reporter.EVERY_S", 0.01)
    paper = Paper(database, ZoneInfo("UTC"), now_ms=ms(2026, 3, 20, 12))
    paper.reporter.start()
    with database.write() as tx:
        asking("digest", DAY_MS)(tx, paper.now_ms)
    until(lambda: len(paper.sent()) == 1)
    assert paper.reporter.stop()
