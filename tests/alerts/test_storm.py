"""A storm, an outage, a bad apple: many alarms through real mail and channels that fail as told."""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from random import Random

import pytest
from structlog.testing import capture_logs

from alerts import outbox, sending
from alerts.breaker import RESTS_S, Phase
from alerts.channel import Channel
from alerts.channels.smtp import SmtpChannel, SmtpSettings
from alerts.delivery import NO_CHANNEL, NOBODY
from alerts.dispatcher import Dispatcher
from alerts.notice import Notice, Undelivered
from alerts.policy import Policy, Route
from alerts.report import ReportText, post_report
from deploy.database import Database
from models.transition import Priority
from tests.alerts.far_side import MailSide, free_port, mail_side
from tests.alerts.store import MINUTE, NOON, Time, plainly, transition, write
from tests.alerts.test_dispatcher import Told, refuse

SECOND = 1000
HOUR = 60 * MINUTE
DAY = 24 * HOUR

policy_for = partial(Policy, late_after_ms=1 << 60)


@pytest.fixture
def database(tmp_path: Path) -> Iterator[Database]:
    opened = Database(tmp_path / "heatbook.db", synchronous="off")
    yield opened
    opened.close()


def alarm(
    database: Database,
    truck: str,
    now_ms: int,
    *names: str,
    priority: Priority = Priority.HIGH,
    over: bool = False,
) -> None:
    """Raise a truck's alarm for these destinations, or end it."""
    policy = policy_for(routes=tuple(Route(channel=name) for name in names))
    raised = transition(NOON, NOON, vehicle=truck, priority=priority)
    found = (
        [raised, transition(NOON + 1, NOON, vehicle=truck, active=False)] if over else [raised]
    )
    with database.write() as tx:
        write(tx, found, now_ms=now_ms, vehicle=truck, policy=policy)


def dispatcher(database: Database, time: Time, **channels: Channel) -> Dispatcher:
    return Dispatcher(
        channels=channels,
        write=database.write,
        read=database.read,
        compose=plainly,
        now_ms=time,
        rng=Random(1),
        every_s=0.01,
        next_way={"mail/ines": "text/ines"}.get,
        known=lambda name: name != "mail/gone",
    )


def states(database: Database) -> dict[str, int]:
    """Count the tellings by their state."""
    counted: dict[str, int] = {}
    with database.read() as conn:
        for entry in outbox.entries(conn):
            counted[entry.state] = counted.get(entry.state, 0) + 1
    return counted


def pass_time(loop: Dispatcher, time: Time, ms: int, *, step_ms: int = SECOND) -> None:
    """Let the clock run, looking for work at every step."""
    for _ in range(ms // step_ms):
        time.pass_ms(step_ms)
        loop.once()


def test_five_hundred_trucks_at_once_are_three_mails_in_the_first_minute_and_all_are_listed(
    database: Database,
) -> None:
    time, port = Time(), free_port()
    settings = SmtpSettings(
        host="127.0.0.1",
        port=port,
        security="none",
        sender="heatbook@northfold.example",
        recipients=("desk@northfold.example",),
        helo="box",
    )
    loop = dispatcher(database, time, mail=SmtpChannel(settings))
    with mail_side(MailSide(), port) as side:
        for number in range(500):
            if number % 100 == 0:
                pass_time(loop, time, 10 * SECOND)
            alarm(database, f"NF-{number:03d}", time(), "mail")
        pass_time(loop, time, 10 * SECOND)
        assert 1 <= len(side.received) <= 3
        pass_time(loop, time, 10 * MINUTE)
    bodies = "\n".join(
        str(part.get_content())
        for mail in side.received
        for part in [mail.get_body(("plain",))]
        if part is not None
    )
    listed = set(re.findall(r"NF-\d{3}", bodies))
    assert listed == {f"NF-{number:03d}" for number in range(500)}
    assert states(database) == {"delivered": 500}
    assert len({mail["Message-ID"] for mail in side.received}) == len(side.received) <= 5


def test_a_day_without_mail_costs_few_tries_and_all_arrives_within_eighteen_minutes(
    database: Database,
) -> None:
    asked: list[int] = []
    time = Time()

    def away(notice: Notice) -> None:
        asked.append(time())
        raise Undelivered("connection refused", retry=True)

    mail = Told(say=away, bundles=True)
    loop = dispatcher(database, time, mail=mail)
    trucks = [f"NF-{number:03d}" for number in range(96)]
    for truck in trucks:
        alarm(database, truck, time(), "mail", "mail/ines", "mail/omar")
        pass_time(loop, time, 15 * MINUTE, step_ms=MINUTE)
    assert len(asked) <= len(RESTS_S) + 86_400 / (0.8 * RESTS_S[-1])
    assert loop.breakers["mail"].phase(time()) is not Phase.CLOSED
    bodies: list[Notice] = []
    mail.say = bodies.append
    pass_time(loop, time, 18 * MINUTE, step_ms=5 * SECOND)
    assert loop.breakers["mail"].phase(time()) is Phase.CLOSED
    assert set(states(database)) == {"delivered"}
    for name in ("mail", "mail/ines", "mail/omar"):
        mine = [each for each in bodies if each.destination == name]
        assert len(mine) <= 3, name
        assert {item.vehicle for each in mine for item in each.items} == set(trucks)
    assert len({each.id for each in bodies}) == len(bodies)


def test_a_notice_the_far_side_chokes_on_does_not_shut_the_way_for_others(
    database: Database,
) -> None:
    time = Time()

    def chokes(notice: Notice) -> None:
        if notice.items[0].vehicle == "NF-00":
            raise Undelivered("line dropped", retry=True)

    desk = Told(say=chokes)
    alarm(database, "NF-00", NOON, "desk", priority=Priority.CRITICAL)
    for number in range(1, 40):
        alarm(database, f"NF-{number:02d}", NOON, "desk")
    loop = dispatcher(database, time, desk=desk)
    pass_time(loop, time, 2 * MINUTE)
    assert len(desk.notices) == 39


def test_a_far_side_that_flaps_gets_every_notice_once(database: Database) -> None:
    time, count = Time(), 0

    def flaps(notice: Notice) -> None:
        nonlocal count
        count += 1
        if count % 2:
            raise Undelivered("502", retry=True)

    desk = Told(say=flaps)
    for number in range(30):
        alarm(database, f"NF-{number:02d}", NOON, "desk")
    loop = dispatcher(database, time, desk=desk)
    pass_time(loop, time, HOUR, step_ms=5 * SECOND)
    assert len(desk.notices) == len(set(desk.notices)) == 30


def test_the_log_says_once_that_a_channel_is_away_and_once_that_it_is_back(
    database: Database,
) -> None:
    time = Time()
    desk = Told(say=refuse(retry=True))
    alarm(database, "NF-01", NOON, "desk")
    loop = dispatcher(database, time, desk=desk)
    with capture_logs() as logs:
        pass_time(loop, time, HOUR, step_ms=5 * SECOND)
        desk.say = lambda notice: None
        pass_time(loop, time, HOUR, step_ms=5 * SECOND)
    told = [each["event"] for each in logs if each["event"].startswith("channel.")]
    assert told == ["channel.away", "channel.back"]


def test_one_reader_who_is_refused_for_now_holds_up_nobody_else(database: Database) -> None:
    time = Time()

    def full(notice: Notice) -> None:
        if notice.destination == "mail/omar":
            raise Undelivered("452 mailbox full", retry=True, away=False)

    mail = Told(say=full, bundles=True)
    loop = dispatcher(database, time, mail=mail)
    for number in range(60):
        alarm(database, f"NF-{number:02d}", time(), "mail/omar", "mail/lena")
        pass_time(loop, time, 10 * MINUTE, step_ms=MINUTE)
    assert loop.breakers["mail"].phase(time()) is Phase.CLOSED
    with database.read() as conn:
        mine = [each for each in sending.sendings(conn) if each.destination == "mail/omar"]
        told = {e.state for e in outbox.entries(conn) if e.destination == "mail/lena"}
    assert len(mine) == 2
    assert told == {"delivered"}
    mail.say = lambda notice: None
    pass_time(loop, time, 40 * MINUTE, step_ms=5 * SECOND)
    assert set(states(database)) == {"delivered"}


def test_whoever_cannot_be_reached_is_told_the_next_way_and_that_it_is_so(
    database: Database,
) -> None:
    time, heard = Time(), list[Notice]()
    mail = Told(say=refuse(retry=False), bundles=True)
    text = Told(say=heard.append, bundles=True)
    loop = dispatcher(database, time, mail=mail, text=text)
    for truck in ("NF-01", "NF-02"):
        alarm(database, truck, NOON, "mail/ines")
    with database.write() as tx:
        report = ReportText(name="week", subject="The week", short="s", body="All is well.")
        post_report(tx, report, destination="mail/ines", now_ms=NOON)
    pass_time(loop, time, 2 * MINUTE)
    assert sorted(len(each.items) for each in heard) == [0, 2]
    for each in heard:
        assert each.destination == "text/ines"
        assert "because mail/ines could not be reached" in each.body
    with database.read() as conn:
        dead = sending.dead_letters(conn)
    assert {each.last_error for each in dead} == {"no; told by text/ines instead"}
    alarm(database, "NF-01", time(), "mail/ines", over=True)
    pass_time(loop, time, 30 * MINUTE, step_ms=5 * SECOND)
    assert heard[-1].items[0].matter == "normal"


def test_what_waits_where_nobody_is_any_more_is_given_up_visibly_and_can_be_sent_again(
    database: Database,
) -> None:
    time, heard = Time(), list[Notice]()
    for truck in ("NF-01", "NF-02"):
        alarm(database, truck, NOON, "mail/gone", "fax", "mail/omar")
    loop = dispatcher(database, time, mail=Told(bundles=True))
    assert loop.lay_aside() == 3
    with database.read() as conn:
        dead = {(each.destination, each.last_error) for each in sending.dead_letters(conn)}
    assert dead == {("mail/gone", NOBODY), ("fax", NO_CHANNEL)}
    with database.write() as tx:
        assert sending.resend_all(tx, "fax", NOON) == 2
    back = dispatcher(database, time, fax=Told(say=heard.append))
    assert back.once("fax") == 2
    assert {each.items[0].vehicle for each in heard} == {"NF-01", "NF-02"}


def test_a_report_is_sent_once_whole_and_again_the_same(database: Database) -> None:
    time, heard = Time(), list[Notice]()

    def cut(notice: Notice) -> None:
        heard.append(notice)
        if len(heard) == 1:
            raise Undelivered("line dropped before the answer", retry=True)

    report = ReportText(name="day 1", subject="The day", short="s", body="b", page="<p>b</p>")
    with database.write() as tx:
        first = post_report(tx, report, destination="mail", now_ms=NOON)
        assert post_report(tx, report, destination="mail", now_ms=NOON + 1) == first
    loop = dispatcher(database, time, mail=Told(say=cut, bundles=True))
    pass_time(loop, time, MINUTE)
    assert len(heard) == 2
    assert heard[0] == heard[1]
    assert (heard[0].id, heard[0].page, heard[0].items) == (first, "<p>b</p>", ())
    assert sending_states(database) == ["delivered"]


def sending_states(database: Database) -> list[str]:
    with database.read() as conn:
        return [each.state for each in sending.sendings(conn)]


def test_what_was_given_up_one_by_one_and_is_sent_again_keeps_to_the_pace(
    database: Database,
) -> None:
    time, heard = Time(), list[int]()
    mail = Told(say=refuse(retry=False), bundles=True)
    loop = dispatcher(database, time, mail=mail)
    for number in range(6):
        alarm(database, f"NF-{number:02d}", time(), "mail")
        pass_time(loop, time, HOUR, step_ms=MINUTE)
    with database.write() as tx:
        assert sending.resend_all(tx, "mail", time()) == 6
    mail.say = lambda notice: heard.append(time())
    pass_time(loop, time, HOUR)
    assert len(heard) == 6
    assert len([at for at in heard if at < heard[0] + MINUTE]) == 3


def test_what_is_sent_again_goes_before_what_tells_of_the_same_alarm_and_still_waits(
    database: Database,
) -> None:
    time, heard = Time(), list[str]()
    desk = Told()
    loop = dispatcher(database, time, desk=desk)
    alarm(database, "NF-01", NOON, "desk")
    loop.once()
    desk.say = refuse(retry=True, away=False)
    alarm(database, "NF-01", time(), "desk", over=True)
    pass_time(loop, time, 2 * MINUTE)
    with database.write() as tx:
        first, second = sending.sendings(tx)
        assert (first.state, second.state, second.attempts > 0) == (
            "delivered",
            "pending",
            True,
        )
        sending.give_up(tx, second, time(), "as if by hand")
        tx.execute("UPDATE sending SET state = 'abandoned' WHERE id = ?", (first.id,))
        for name in (second.id, first.id):
            assert sending.resend(tx, name, time() - (name == second.id))
    desk.say = lambda notice: heard.append(notice.items[0].matter)
    pass_time(loop, time, MINUTE)
    assert heard == ["active", "normal"]


def busy(notice: Notice) -> None:
    raise Undelivered("451 later", retry=True, away=False)


@pytest.mark.parametrize("bundles", [True, False])
def test_what_is_critical_does_not_wait_for_lesser_notices_that_were_refused_for_now(
    database: Database, *, bundles: bool
) -> None:
    time, mail = Time(), Told(say=busy, bundles=bundles)
    loop = dispatcher(database, time, mail=mail)
    for number in range(3):
        alarm(database, f"NF-0{number}", time(), "mail")
        pass_time(loop, time, 20 * MINUTE, step_ms=10 * SECOND)
    mail.say = lambda notice: None
    alarm(database, "NF-99", time(), "mail", priority=Priority.CRITICAL)
    pass_time(loop, time, 20 * SECOND)
    with database.read() as conn:
        arrived = [
            sending.vehicle_of(conn, each.alarm_id)
            for each in outbox.entries(conn, state="delivered")
        ]
    assert "NF-99" in arrived


@pytest.mark.parametrize("bundles", [True, False])
def test_an_alarm_that_becomes_critical_does_not_wait_for_its_own_first_notice(
    database: Database, *, bundles: bool
) -> None:
    """In order, but at once: the next try of the first would have been in half an hour, or in five."""
    time, mail = Time(), Told(say=busy, bundles=bundles)
    loop = dispatcher(database, time, mail=mail)
    alarm(database, "NF-01", time(), "mail", priority=Priority.LOW)
    pass_time(loop, time, HOUR, step_ms=10 * SECOND)
    policy = policy_for(routes=(Route(channel="mail"),))
    lesser = transition(NOON, NOON, priority=Priority.LOW)
    worse = transition(NOON + 1, NOON, priority=Priority.CRITICAL)
    with database.write() as tx:
        write(tx, [lesser, worse], now_ms=time(), policy=policy)
    pass_time(loop, time, MINUTE)
    mail.say = lambda notice: None
    pass_time(loop, time, 6 * MINUTE)
    with database.read() as conn:
        arrived = [each.matter for each in outbox.entries(conn, state="delivered")]
    assert arrived == ["active", "rise"]


def test_what_is_told_another_way_takes_along_that_it_is_over(database: Database) -> None:
    time, mail, text = Time(), Told(say=busy, bundles=True), Told(bundles=True)
    loop = dispatcher(database, time, mail=mail, text=text)
    alarm(database, "NF-01", time(), "mail/ines")
    pass_time(loop, time, HOUR, step_ms=MINUTE)
    alarm(database, "NF-01", time(), "mail/ines", over=True)

    def full(notice: Notice) -> None:
        """Refuse the first for good, and what follows for now."""
        raise Undelivered("no", retry="BACK TO NORMAL" in notice.subject, away=False)

    mail.say = full
    pass_time(loop, time, HOUR, step_ms=MINUTE)
    with database.read() as conn:
        arrived = [
            (each.destination, each.matter) for each in outbox.entries(conn, state="delivered")
        ]
    assert arrived == [("text/ines", "active"), ("text/ines", "normal")]


def test_what_is_sent_again_by_hand_is_followed_by_how_it_ended(database: Database) -> None:
    time, mail = Time(), Told(say=refuse(retry=False), bundles=True)
    loop = dispatcher(database, time, mail=mail)
    alarm(database, "NF-01", time(), "mail")
    alarm(database, "NF-02", time(), "mail")
    alarm(database, "NF-03", time(), "mail")
    pass_time(loop, time, MINUTE)
    alarm(database, "NF-01", time(), "mail", over=True)
    with database.write() as tx:
        write(tx, [], now_ms=time(), vehicle="NF-03")
    mail.say = lambda notice: None
    with database.write() as tx:
        assert sending.resend_all(tx, None, time()) == 1
    pass_time(loop, time, HOUR, step_ms=10 * SECOND)
    with database.read() as conn:
        arrived = [
            (vehicle, each.matter)
            for each in outbox.entries(conn, state="delivered")
            for vehicle in [sending.vehicle_of(conn, each.alarm_id)]
        ]
    assert sorted(arrived) == [
        ("NF-01", "active"),
        ("NF-01", "normal"),
        ("NF-02", "active"),
        ("NF-03", "active"),
        ("NF-03", "withdrawn"),
    ]


@pytest.mark.parametrize("bundles", [True, False])
def test_after_a_clock_is_put_back_a_busy_far_side_is_not_asked_again_and_again(
    database: Database, *, bundles: bool
) -> None:
    asked: list[int] = []
    time = Time()

    def note(notice: Notice) -> None:
        asked.append(time())
        assert len(asked) < 10
        busy(notice)

    loop = dispatcher(database, time, mail=Told(say=note, bundles=bundles))
    alarm(database, "NF-01", time(), "mail")
    pass_time(loop, time, 10 * SECOND)
    time.pass_ms(-HOUR)
    pass_time(loop, time, 30 * SECOND)
    # Once at once, for what was due is not held up; then as rarely as ever.
    assert 1 <= sum(at < NOON for at in asked) <= 2
