"""The picture in a mail: what it shows, in whose units, and that a notice never waits for it."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC
from typing import NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
import pytest
import structlog

from alerts import ledger, outbox
from alerts.alarm import Matter
from alerts.ledger import Alarm
from alerts.notice import Picture
from alerts.outbox import Entry
from deploy.notice_chart import LONGEST_MS, Charts
from models.units import METRIC, US
from review.pictures.temperature import (
    DPI,
    WIDTH_IN,
    Course,
    Healthy,
    _ticks,
    describe,
    draw,
    shown,
)
from tests.deploy.store import store
from tests.deploy.stuck import COURSES, take_in
from tests.recorded import HOUR_MS, MINUTE_MS, NOON_MS

ZONE = ZoneInfo("America/Denver")


class Kept(NamedTuple):
    charts: Charts
    entry: Entry
    alarm: Alarm


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Kept]:
    """A store in which a simulated bypass valve stuck on a climb."""
    with store(tmp_path_factory.mktemp("chart")) as database:
        take_in(database)
        with database.read() as conn:
            entry = next(
                each
                for each in outbox.entries(conn)
                if "bypass_stuck" in str(ledger.get(conn, each.alarm_id))
            )
            alarm = ledger.get(conn, entry.alarm_id)
        assert alarm is not None
        yield Kept(
            Charts(database=database, courses=COURSES, model_version="tests"), entry, alarm
        )


def drawn(kept: Kept, **changes: object) -> Picture | None:
    entry = replace(kept.entry, **changes)  # type: ignore[arg-type] # fields of it
    return kept.charts.draw(entry, kept.alarm, METRIC, UTC)


def test_it_says_what_the_alarm_itself_goes_by(kept: Kept) -> None:
    """The band is run from the samples anew; the detector's own numbers are the outside source."""
    picture = drawn(kept)
    assert picture is not None
    fluid, expected, sd_k = (
        kept.entry.evidence[name]
        for name in ("fluid_temp_c", "expected_temp_c", "expected_sd_k")
    )
    assert f"at the end {METRIC.degrees(fluid)}." in picture.alt
    low, high = expected - 1.2816 * sd_k, expected + 1.2816 * sd_k
    assert f"about {METRIC.degrees(expected)} at the end" in picture.alt
    assert f"(8 in 10: {METRIC.degrees(low)} to {METRIC.degrees(high)})" in picture.alt


def test_it_is_a_picture_in_the_readers_units_and_time(kept: Kept) -> None:
    picture = kept.charts.draw(kept.entry, kept.alarm, US, ZONE)
    assert picture is not None
    assert picture.png.startswith(b"\x89PNG")
    assert struct.unpack(">I", picture.png[16:20])[0] == WIDTH_IN * DPI
    assert len(picture.png) < 150_000
    assert "°F" in picture.alt
    assert "°C" not in picture.alt
    began = describe_clock(kept.alarm.onset_ms, ZONE)
    assert f"The condition began at {began}." in picture.alt


def describe_clock(time_ms: int, zone: ZoneInfo) -> str:
    moment = np.datetime64(time_ms, "ms").astype("datetime64[us]").item().replace(tzinfo=UTC)
    return f"{moment.astimezone(zone):%H:%M}"


def test_the_same_again_and_from_many_threads_at_once(kept: Kept) -> None:
    first = drawn(kept)
    with ThreadPoolExecutor(4) as threads:
        found = list(threads.map(lambda _: drawn(kept), range(8)))
    assert all(each == first for each in found)


@pytest.mark.parametrize("matter", [Matter.WITHDRAWN, Matter.MOVED, Matter.QUIET])
def test_where_it_would_say_nothing_there_is_none(kept: Kept, matter: Matter) -> None:
    assert drawn(kept, matter=matter) is None


def test_a_service_a_silence_and_all_trucks_have_none(kept: Kept) -> None:
    for changes in ({"kind": "service_due"}, {"kind": "gateway_silent"}, {"vehicle": "*"}):
        alarm = replace(kept.alarm, **changes)  # type: ignore[arg-type] # fields of it
        assert kept.charts.draw(kept.entry, alarm, METRIC, UTC) is None


def test_without_samples_there_is_none(kept: Kept) -> None:
    assert drawn(kept, time_ms=NOON_MS - 90 * 24 * HOUR_MS) is None
    unheard = replace(kept.alarm, vehicle="NF-99")
    assert kept.charts.draw(kept.entry, unheard, METRIC, UTC) is None


def test_a_state_from_before_a_change_still_gives_the_measured_line(kept: Kept) -> None:
    charts = replace(kept.charts, model_version="another")
    picture = charts.draw(kept.entry, kept.alarm, METRIC, UTC)
    assert picture is not None
    assert "healthy" not in picture.alt


def test_a_picture_that_fails_holds_up_no_notice(kept: Kept) -> None:
    def broken(*_: object) -> object:
        raise RuntimeError("no such course")

    charts = replace(kept.charts, courses=broken)  # type: ignore[arg-type] # broken
    with structlog.testing.capture_logs() as lines:
        assert charts.draw(kept.entry, kept.alarm, METRIC, UTC) is None
    assert [line["event"] for line in lines] == ["picture.failed"]


def course(*, minutes: int = 120, onset_min: float = 100.0, **changes: object) -> Course:
    times = NOON_MS + np.arange(minutes + 1, dtype=np.int64) * MINUTE_MS
    fluid = np.linspace(80.0, 125.0, minutes + 1)
    values: dict[str, object] = {
        "truck": "NF-01",
        "time_ms": times,
        "fluid_c": fluid,
        "limits": (("highest allowed", 121.0), ("critical", 135.0)),
        "onset_ms": round(NOON_MS + onset_min * MINUTE_MS),
        **changes,
    }
    return Course(**values)  # type: ignore[arg-type] # the fields are spelled out above


def test_the_words() -> None:
    times = course().time_ms
    healthy = Healthy(
        time_ms=times, celsius=np.full(len(times), 95.0), sd_k=np.full(len(times), 2.0)
    )
    assert describe(course(healthy=healthy), METRIC, UTC) == (
        "Temperature of the fluid of NF-01 from 12:00 to 14:00: between 80 °C and 125 °C, at the end "
        "125 °C. A healthy truck would have shown about 95 °C at the end (8 in 10: 92 °C to 98 °C). "
        "Highest allowed temperature 121 °C: passed. Critical temperature 135 °C: not reached. "
        "The condition began at 13:40."
    )
    assert describe(course(onset_min=-5.0), US, ZONE).endswith(
        "275 °F: not reached. The condition began before that."
    )


def test_a_limit_far_off_is_left_out() -> None:
    limits = (("highest allowed", 121.0), ("critical", 135.0))
    assert shown(limits, 104.0) == limits[:1]
    assert shown(limits, 60.0) == ()


@pytest.mark.parametrize("minutes", [2, 9, 31, 67, 181, 400, LONGEST_MS // MINUTE_MS])
def test_the_time_axis_has_few_round_times_of_the_clock(minutes: int) -> None:
    zone = ZoneInfo("Asia/Kathmandu")  # a quarter of an hour beside the others
    first_ms = NOON_MS + 123_456
    ticks = _ticks(first_ms, first_ms + minutes * MINUTE_MS, zone)
    assert len(ticks) <= 5
    assert all(first_ms <= each <= first_ms + minutes * MINUTE_MS for each in ticks)
    assert all((each // MINUTE_MS + 345) % 5 == 0 for each in ticks)


def test_gaps_a_short_span_and_strange_names_are_drawn() -> None:
    holes = course()
    keep = np.r_[0:20, 60:121]
    holed = replace(holes, time_ms=holes.time_ms[keep], fluid_c=holes.fluid_c[keep])
    for each in (holed, course(minutes=1), course(truck="$NF_{1}^2$ 车"), course(limits=())):
        assert draw(each, METRIC, UTC).startswith(b"\x89PNG")
