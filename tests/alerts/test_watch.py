from __future__ import annotations

from dataclasses import replace

import pytest

import models.silence
from alerts.link import Link
from alerts.watch import EVERYBODY, SILENT, LastHeard, Outage, SilenceLimits, judge, silent
from tests.alerts.store import MINUTE, NOON

LIMITS = SilenceLimits()
MOVING = LastHeard(time_ms=NOON, heard_ms=NOON, moving=True)


def last(minute: float, *, moving: bool | None = True, lost: bool = False) -> LastHeard:
    at = NOON + round(minute * MINUTE)
    return LastHeard(time_ms=at, heard_ms=at, moving=moving, lost_moving=lost)


def test_the_watch_and_the_kernel_speak_of_the_same_alarm() -> None:
    assert SILENT == models.silence.KIND
    onset_ms = models.silence.trailing_onset_ms(
        NOON, moving=True, silent_after_s=900.0, now_ms=NOON + 16 * MINUTE
    )
    assert silent(MOVING, NOON + 16 * MINUTE, LIMITS) == onset_ms


@pytest.mark.parametrize(
    ("moving", "lost", "is_silent"),
    [
        (True, False, True),
        (True, True, True),
        (False, False, False),
        (False, True, True),
        (None, False, False),
        (None, True, True),
    ],
)
def test_only_a_truck_that_moved_is_silent(
    moving: bool | None, lost: bool, is_silent: bool
) -> None:
    heard = last(0, moving=moving, lost=lost)
    onset_ms = silent(heard, NOON + 20 * MINUTE, LIMITS)
    assert onset_ms == (NOON + 15 * MINUTE if is_silent else None)


@pytest.mark.parametrize(("minute", "is_silent"), [(14.9, False), (15.0, True), (600.0, True)])
def test_silence_begins_when_the_time_is_up(minute: float, is_silent: bool) -> None:
    now_ms = NOON + round(minute * MINUTE)
    assert (silent(MOVING, now_ms, LIMITS) is not None) is is_silent


def test_a_gateway_that_sends_its_old_backlog_is_not_silent() -> None:
    heard = LastHeard(time_ms=NOON, heard_ms=NOON + 59 * MINUTE, moving=True)
    assert silent(heard, NOON + 60 * MINUTE, LIMITS) is None


def test_time_in_which_the_daemon_could_not_hear_does_not_count() -> None:
    now_ms = NOON + 60 * MINUTE
    since_ms = NOON + 50 * MINUTE
    assert silent(MOVING, now_ms, LIMITS, listening_since_ms=since_ms) is None
    assert judge({"NF-01": MOVING}, now_ms, LIMITS, listening_since_ms=since_ms) == {}


def test_one_quiet_truck_among_others_is_its_own_matter() -> None:
    heard = {"NF-01": last(0), "NF-02": last(20)}
    assert judge(heard, NOON + 20 * MINUTE, LIMITS) == {"NF-01": NOON + 15 * MINUTE}


def test_a_general_silence_is_one_matter() -> None:
    heard = {f"NF-{number:02}": last(number / 60) for number in range(40)}
    newest_ms = max(each.heard_ms for each in heard.values())
    for minute in (6, 16, 60):
        onsets = judge(heard, NOON + minute * MINUTE, LIMITS)
        assert onsets == {EVERYBODY: newest_ms + LIMITS.everybody_after_ms}


def test_a_truck_lost_before_the_general_silence_stays_its_own_matter() -> None:
    heard = {"NF-01": last(0), "NF-02": last(60), "NF-03": last(60)}
    onsets = judge(heard, NOON + 70 * MINUTE, LIMITS)
    assert onsets == {EVERYBODY: NOON + 65 * MINUTE, "NF-01": NOON + 15 * MINUTE}


def test_a_yard_at_night_is_no_general_silence() -> None:
    heard = {"NF-01": last(0), "NF-02": last(0.2), "NF-03": last(300, moving=False)}
    onsets = judge(heard, NOON + 600 * MINUTE, LIMITS)
    assert set(onsets) == {"NF-01", "NF-02"}


def test_a_fleet_of_one_is_judged_alone() -> None:
    assert judge({"NF-01": MOVING}, NOON + 14 * MINUTE, LIMITS) == {}
    assert set(judge({"NF-01": MOVING}, NOON + 15 * MINUTE, LIMITS)) == {"NF-01"}
    assert judge({}, NOON, LIMITS) == {}


DOWN = Link(connected=False, since_ms=NOON)


def test_a_link_that_is_down_is_one_matter_whoever_moved() -> None:
    parked = {"NF-01": last(-60, moving=False), "NF-02": last(-400, moving=False)}
    assert judge(parked, NOON + 4 * MINUTE, LIMITS, link=DOWN) == {}
    assert judge(parked, NOON + 5 * MINUTE, LIMITS, link=DOWN) == {EVERYBODY: NOON + 5 * MINUTE}
    moving = {f"NF-{number:02}": last(-number / 60) for number in range(40)}
    assert set(judge(moving, NOON + 500 * MINUTE, LIMITS, link=DOWN)) == {EVERYBODY}
    assert judge({}, NOON + 500 * MINUTE, LIMITS, link=DOWN) == {}


def test_while_the_link_is_down_no_truck_grows_silent() -> None:
    heard = {"NF-01": last(-20), "NF-02": last(-10), "NF-03": last(0)}
    onsets = judge(heard, NOON + 60 * MINUTE, LIMITS, link=DOWN)
    # NF-01's time was up while the link still stood; NF-02's was not.
    assert set(onsets) == {EVERYBODY, "NF-01"}
    assert silent(heard["NF-02"], NOON + 60 * MINUTE, LIMITS, link=DOWN) is None


def test_who_fell_with_all_others_is_a_matter_of_its_own_only_a_day_later() -> None:
    heard = {"NF-01": last(0), "NF-02": last(1), "NF-03": last(60)}
    outage = Outage(
        from_ms=NOON - 4 * MINUTE, told_ms=NOON + 6 * MINUTE, ended_ms=NOON + 60 * MINUTE
    )
    hour = 60 * MINUTE
    assert judge(heard, NOON + 2 * hour, LIMITS, outages=[outage]) == {
        "NF-03": NOON + 75 * MINUTE
    }
    later = judge(heard, outage.ended_ms + 24 * hour, LIMITS, outages=[outage])  # type: ignore[operator]
    assert set(later) == set(heard)
    lasting = replace(outage, ended_ms=None)
    assert set(judge(heard, NOON + 99 * hour, LIMITS, outages=[lasting])) == {"NF-03"}
    before = {**heard, "NF-04": last(-30)}
    assert "NF-04" in judge(before, NOON + 2 * hour, LIMITS, outages=[outage])
