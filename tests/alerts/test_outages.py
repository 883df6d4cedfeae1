"""One broker outage is one alarm: none per truck while it lasts, none as they trickle back."""

from __future__ import annotations

import math
import sqlite3
from dataclasses import dataclass, field, replace

import pytest

from alerts import outbox
from alerts.journal import alarms
from alerts.ledger import Alarm
from alerts.link import UP, Link, follow
from alerts.silence import LINK_AGAIN, Ticked, tick
from alerts.silence_words import DOWN_MINUTES, LOST, MOVING, REFUSED
from alerts.watch import EVERYBODY, LastHeard, SilenceLimits
from tests.alerts.store import MINUTE, NOON, POLICY, memory

FLEET = [f"NF-{number:02}" for number in range(40)]
LIMITS = SilenceLimits()


@dataclass
class Watch:
    """The daemon's watch with a clock, trucks and a link that the test turns."""

    conn: sqlite3.Connection = field(default_factory=memory)
    heard: dict[str, LastHeard] = field(default_factory=dict)
    link: Link = UP
    connected: bool = True
    refused: bool = False
    since_ms: int = 0
    raised: list[Alarm] = field(default_factory=list)
    cleared: list[Alarm] = field(default_factory=list)

    def hear(self, minute: float, *names: str, moving: bool = True) -> None:
        at_ms = NOON + round(minute * MINUTE)
        for name in names:
            self.heard[name] = LastHeard(
                time_ms=at_ms, heard_ms=at_ms, moving=moving, online=True
            )

    def lose(self, *names: str) -> None:
        """The broker publishes last wills."""
        for name in names:
            moving = bool(self.heard[name].moving)
            self.heard[name] = replace(self.heard[name], online=False, lost_moving=moving)

    def look(self, minute: float) -> Ticked:
        now_ms = NOON + round(minute * MINUTE)
        self.link = follow(self.link, now_ms, connected=self.connected, refused=self.refused)
        ticked = tick(
            self.conn,
            heard=self.heard,
            now_ms=now_ms,
            limits=LIMITS,
            policy=POLICY,
            listening_since_ms=self.since_ms,
            link=self.link,
        )
        self.since_ms = ticked.listening_since_ms
        self.raised += ticked.raised
        self.cleared += ticked.cleared
        return ticked

    def look_through(self, first: int, last: int) -> None:
        for minute in range(first, last):
            self.look(minute)

    def told(self) -> list[str]:
        return [
            each.matter.value
            for each in outbox.entries(self.conn)
            if each.destination == "desk"
        ]


@pytest.mark.parametrize("seen", [True, False])
def test_a_broker_outage_is_one_alarm_whatever_the_daemon_sees_of_it(*, seen: bool) -> None:
    """An hour's outage; the trucks come back over 14 min, as many as come back at all."""
    watch = Watch()
    watch.hear(0, *FLEET)
    watch.connected = not seen
    watch.look_through(1, 60)
    assert [each.vehicle for each in watch.raised] == [EVERYBODY]
    (alarm,) = watch.raised
    assert math.isnan(alarm.evidence[DOWN_MINUTES]) is not seen
    assert alarm.evidence[MOVING] == 40.0
    watch.connected = True
    for minute in range(60, 74):
        watch.hear(minute, *FLEET[2 * (minute - 60) : 2 * (minute - 60) + 2])
        watch.look(minute + 0.5)
    # Twelve were parked and switched off meanwhile: nobody can know, so nobody is told.
    for minute in range(75, 600):
        watch.hear(minute, *FLEET[:28])
        watch.look(minute + 0.5)
    assert [each.vehicle for each in watch.raised] == [EVERYBODY]
    assert watch.told() == ["active", "normal"]


def test_who_is_not_back_a_day_later_is_told_and_the_outage_named() -> None:
    watch = Watch()
    watch.hear(0, *FLEET)
    watch.look_through(1, 30)
    watch.hear(30, *FLEET[1:], moving=False)
    watch.look(30)
    watch.look_through(24 * 60, 24 * 60 + 40)
    assert [each.vehicle for each in watch.raised] == [EVERYBODY, "NF-00"]
    assert watch.raised[1].evidence["after_outage"] == 1.0


def test_a_truck_that_was_silent_before_the_outage_keeps_its_own_alarm() -> None:
    watch = Watch()
    watch.hear(0, "NF-00")
    watch.hear(30, *FLEET[1:])
    watch.look_through(1, 32)
    watch.connected = False
    watch.look_through(32, 90)
    assert [each.vehicle for each in watch.raised] == ["NF-00", EVERYBODY]


def test_a_yard_at_night_hears_of_a_lost_link_and_of_its_return() -> None:
    watch = Watch()
    watch.hear(0, *FLEET, moving=False)
    watch.look_through(1, 200)
    assert watch.raised == []
    watch.connected = False
    watch.look_through(200, 204)
    assert watch.raised == []
    watch.look_through(204, 260)
    assert [each.vehicle for each in watch.raised] == [EVERYBODY]
    assert watch.raised[0].evidence[MOVING] == 0.0
    watch.connected = True
    watch.look(260)
    assert [each.remark for each in watch.cleared] == [LINK_AGAIN]
    watch.look_through(261, 700)
    assert len(watch.raised) == 1


def test_a_link_that_blinks_is_no_matter() -> None:
    watch = Watch()
    for minute in range(0, 120, 2):
        watch.hear(minute, *FLEET[:3])
        watch.look(minute)
        watch.connected = False
        watch.look(minute + 0.5)
        watch.connected = True
        watch.look(minute + 1)
    assert watch.raised == []
    assert watch.look(122).raised == ()


def test_a_truck_that_falls_silent_while_the_link_blinks_is_still_found() -> None:
    watch = Watch()
    watch.hear(0, *FLEET[:3])
    for minute in range(1, 20):
        watch.hear(minute, *FLEET[:2])
        watch.connected = False
        watch.look(minute)
        watch.connected = True
        watch.look(minute + 0.5)
    assert [each.vehicle for each in watch.raised] == ["NF-02"]


def test_a_refused_login_is_told_from_a_broker_that_is_away() -> None:
    watch = Watch()
    watch.hear(0, *FLEET)
    watch.connected, watch.refused = False, True
    watch.look_through(1, 10)
    assert watch.raised[0].evidence[REFUSED] == 1.0


def test_lines_that_break_together_are_one_matter_and_one_line_its_own() -> None:
    watch = Watch()
    watch.hear(0, *FLEET)
    watch.lose(*FLEET)
    watch.look_through(1, 40)
    assert [each.vehicle for each in watch.raised] == [EVERYBODY]
    assert watch.raised[0].evidence[LOST] == 40.0
    alone = Watch()
    alone.hear(0, *FLEET[:3])
    alone.lose("NF-00")
    for minute in range(1, 30):
        alone.hear(minute, *FLEET[1:3])
        alone.look(minute)
    assert [each.vehicle for each in alone.raised] == ["NF-00"]
    assert alone.raised[0].evidence["line_lost"] == 1.0
    assert alone.raised[0].evidence["gateway_online"] == 0.0


def test_a_parked_truck_whose_line_goes_is_parked() -> None:
    watch = Watch()
    watch.hear(0, "NF-00", moving=False)
    watch.lose("NF-00")
    for minute in range(1, 60):
        watch.hear(minute, *FLEET[1:3])
        watch.look(minute)
    assert watch.raised == []


def test_a_restart_in_the_middle_of_an_outage_repeats_nothing() -> None:
    watch = Watch()
    watch.hear(0, *FLEET)
    watch.connected = False
    watch.look_through(1, 30)
    watch.link = Link(connected=False, since_ms=NOON + 30 * MINUTE)
    watch.since_ms = NOON + 30 * MINUTE
    watch.look_through(30, 60)
    watch.connected = True
    watch.look(60)
    for minute in range(61, 90):
        watch.hear(minute, *FLEET)
        watch.look(minute)
    assert [each.vehicle for each in watch.raised] == [EVERYBODY]
    assert watch.told() == ["active", "normal"]
    assert len(alarms(watch.conn)) == 1
