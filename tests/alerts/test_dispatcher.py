from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

import pytest

from alerts import outbox, sending
from alerts.backoff import DELAYS_S
from alerts.channel import Channel
from alerts.channels.smtp import SmtpChannel, SmtpSettings
from alerts.dispatcher import Dispatcher
from alerts.notice import Notice, Undelivered
from deploy.database import Database
from tests.alerts.far_side import MailSide, free_port, mail_side, until
from tests.alerts.store import MINUTE, NOON, Time, plainly, take, transition, write


@dataclass
class Told:
    """A channel that keeps what it gets, after a say of the test's."""

    say: Callable[[Notice], None] = lambda notice: None
    notices: list[str] = field(default_factory=list)
    bundles: bool = False

    def deliver(self, notice: Notice) -> str:
        self.say(notice)
        self.notices.append(notice.id)
        return "told"


def refuse(**how: object) -> Callable[[Notice], None]:
    def say(notice: Notice) -> None:
        raise Undelivered("no", **how)  # type: ignore[arg-type] # passed on

    return say


@pytest.fixture
def database(tmp_path: Path) -> Iterator[Database]:
    opened = Database(tmp_path / "heatbook.db", synchronous="off")
    yield opened
    opened.close()


def fill(database: Database, count: int = 1) -> None:
    with database.write() as tx:
        for n in range(count):
            truck = f"NF-{n + 1:02d}"
            raised = transition(NOON + n, NOON + n, vehicle=truck)
            write(tx, [raised], now_ms=NOON, vehicle=truck)


def dispatcher(database: Database, time: Time, **channels: Channel) -> Dispatcher:
    return Dispatcher(
        channels=channels,
        write=database.write,
        read=database.read,
        compose=plainly,
        now_ms=time,
        rng=Random(1),
        every_s=0.01,
    )


def states(database: Database, channel: str = "desk") -> list[str]:
    with database.read() as conn:
        return [each.state for each in outbox.entries(conn) if each.destination == channel]


def test_everything_due_goes_out_once(database: Database) -> None:
    fill(database, 3)
    desk, phone = Told(), Told()
    loop = dispatcher(database, Time(), desk=desk, phone=phone)
    assert loop.once() == 6
    assert loop.once() == 0
    assert len(set(desk.notices)) == len(set(phone.notices)) == 3
    assert not set(desk.notices) & set(phone.notices)
    assert states(database) == ["delivered"] * 3


def test_a_final_refusal_is_laid_aside_and_the_next_goes_out(
    database: Database,
) -> None:
    fill(database, 2)
    loop = dispatcher(database, Time(), desk=Told(say=refuse(retry=False)))
    assert loop.once("desk") == 0
    assert states(database) == ["abandoned"] * 2
    assert loop.disabled == frozenset()


def test_a_far_side_that_is_away_is_not_asked_for_every_notice(database: Database) -> None:
    fill(database, 5)
    asked: list[str] = []

    def say(notice: Notice) -> None:
        asked.append(notice.id)
        raise Undelivered("away", retry=True)

    loop = dispatcher(database, Time(), desk=Told(say=say))
    assert loop.once() == 0
    assert len(asked) == 1


def test_a_wait_the_far_side_asked_for_is_kept(database: Database) -> None:
    fill(database)
    time = Time()
    desk = Told(say=refuse(retry=True, retry_after_s=900.0))
    loop = dispatcher(database, time, desk=desk)
    loop.once()
    desk.say = lambda notice: None
    time.pass_ms(15 * MINUTE - 1)
    assert loop.once() == 0
    time.pass_ms(1)
    assert loop.once() == 1


def test_a_far_side_that_wants_no_more_is_left_alone_until_the_next_start(
    database: Database,
) -> None:
    fill(database, 2)
    loop = dispatcher(database, Time(), desk=Told(say=refuse(retry=False, disable=True)))
    loop.once()
    assert loop.disabled == {"desk"}
    assert sorted(states(database)) == ["abandoned", "pending"]
    assert dispatcher(database, Time(), desk=Told()).once() == 1


@pytest.mark.parametrize(
    ("away", "most_tries", "late_ms"),
    # A notice refused by itself keeps to the schedule of its own; a channel that is away is tried every
    # quarter of an hour (±20 %), for all that waits, and the end falls on such a try.
    [(False, 30, 0), (True, 3 * 24 * 5, 18 * MINUTE)],
)
def test_after_three_days_a_notice_is_given_up_visibly(
    database: Database, *, away: bool, most_tries: int, late_ms: int
) -> None:
    fill(database)
    time = Time()
    loop = dispatcher(database, time, desk=Told(say=refuse(retry=True, away=away)))
    tries = 0
    while states(database) == ["pending"]:
        loop.once()
        tries += 1
        with database.read() as conn:
            time.now_ms = next(
                e.due_ms for e in outbox.entries(conn) if e.destination == "desk"
            )
    assert 0 <= time.now_ms - (NOON + 3 * 24 * 60 * MINUTE) <= late_ms
    assert len(DELAYS_S) < tries < most_tries
    with database.read() as conn:
        assert [entry.last_error for entry in sending.dead_letters(conn)] == ["no"]


class Died(BaseException):
    """The process ends here."""


def test_a_death_between_send_and_settle_sends_the_same_again(database: Database) -> None:
    fill(database)
    port = free_port()
    mail = SmtpChannel(
        SmtpSettings(
            host="127.0.0.1",
            port=port,
            security="none",
            sender="heatbook@northfold.example",
            recipients=("desk@northfold.example",),
            helo="box",
        )
    )

    class Dying:
        bundles = False

        def deliver(self, notice: Notice) -> str:
            mail.deliver(notice)
            raise Died

    with mail_side(MailSide(), port) as side:
        with pytest.raises(Died):
            dispatcher(database, Time(), desk=Dying()).once()
        assert states(database) == ["pending"]
        revived = dispatcher(database, Time(), desk=mail)
        assert revived.once() == 0
        assert revived.recover() == 1
        assert revived.once() == 1
    first, second = (message["Message-ID"] for message in side.received)
    assert first == second
    assert side.received[0].as_bytes() == side.received[1].as_bytes()
    assert states(database) == ["delivered"]


def test_a_mail_server_that_goes_away_and_comes_back_busy_gets_every_notice(
    database: Database,
) -> None:
    fill(database, 3)
    time = Time()
    port = free_port()
    settings = SmtpSettings(
        host="127.0.0.1",
        port=port,
        security="none",
        sender="heatbook@northfold.example",
        recipients=("desk@northfold.example",),
        helo="box",
    )
    mail = SmtpChannel(settings)
    mail.bundles = False  # one by one, as to a machine
    loop = dispatcher(database, time, desk=mail)
    for _ in range(60):
        assert loop.once() == 0
        time.pass_ms(MINUTE)
    with mail_side(MailSide(data_answers=["451 greylisted", "421 closing"]), port) as side:
        while "pending" in states(database):
            loop.once()
            time.pass_ms(MINUTE)
    assert len({message["Message-ID"] for message in side.received}) == 3
    assert states(database) == ["delivered"] * 3


def test_a_notice_that_breaks_its_channel_does_not_stop_the_others(database: Database) -> None:
    fill(database, 2)
    broken: list[str] = []

    def say(notice: Notice) -> None:
        if notice.id in broken or not broken:
            broken.append(notice.id)
            raise RuntimeError("a fault of ours")

    loop = dispatcher(database, Time(), desk=Told(say=say))
    assert loop.once() == 0
    assert loop.once() == 1
    with database.read() as conn:
        errors = {e.last_error for e in outbox.entries(conn) if e.state == "pending"}
    assert "fault: RuntimeError('a fault of ours')" in errors


@pytest.mark.parametrize("first", range(1, 6))
def test_a_store_that_cannot_be_written_for_a_while_ends_nothing(
    database: Database, first: int
) -> None:
    """Whichever write fails, thrice running: to claim, or to write down what came of it."""
    fill(database, 3)
    writes = 0

    @contextmanager
    def write() -> Iterator[sqlite3.Connection]:
        nonlocal writes
        writes += 1
        if first < writes <= first + 3:
            raise sqlite3.OperationalError("database or disk is full")
        with database.write() as tx:
            yield tx

    desk = Told()
    loop = Dispatcher(
        channels={"desk": desk},
        write=write,
        read=database.read,
        compose=plainly,
        now_ms=Time(),
        rng=Random(1),
        every_s=0.01,
    )
    loop.start()
    try:
        until(lambda: states(database) == ["delivered"] * 3)
        assert loop.alive
    finally:
        assert loop.stop()
    assert len(desk.notices) == len(set(desk.notices)) == 3


def test_what_was_claimed_when_a_fault_struck_is_tried_again(database: Database) -> None:
    fill(database)
    struck = threading.Event()

    @contextmanager
    def write() -> Iterator[sqlite3.Connection]:
        with database.write() as tx:
            yield tx
        if threading.current_thread().name == "notices-desk" and not struck.is_set():
            struck.set()
            raise RuntimeError("a fault of ours, just after the claim")

    desk = Told()
    loop = Dispatcher(
        channels={"desk": desk},
        write=write,
        read=database.read,
        compose=plainly,
        now_ms=Time(),
        rng=Random(1),
        every_s=0.01,
    )
    loop.start()
    try:
        until(lambda: states(database) == ["delivered"])
    finally:
        assert loop.stop()
    assert struck.is_set()


def test_one_endpoint_that_hangs_holds_up_nobody_else(database: Database) -> None:
    hang = threading.Event()

    def say(notice: Notice) -> None:
        hang.wait(30)

    phone = Told()
    loop = dispatcher(database, Time(), desk=Told(say=say), phone=phone)
    loop.start()
    try:
        fill(database, 20)
        loop.wake()
        until(lambda: len(phone.notices) == 20)
        assert not loop.stop(timeout_s=0.01)
    finally:
        hang.set()
    until(lambda: not any(t.name.startswith("notices-") for t in threading.enumerate()))
    assert states(database, "phone") == ["delivered"] * 20


def test_start_frees_what_an_earlier_run_left_and_stop_ends_the_threads(
    database: Database,
) -> None:
    fill(database)
    with database.write() as tx:
        assert take(tx, "desk", NOON)
    desk = Told()
    loop = dispatcher(database, Time(), desk=desk)
    loop.start()
    until(lambda: states(database) == ["delivered"])
    assert [loop.alive, loop.stop(), loop.alive] == [True, True, False]
    assert len(desk.notices) == 1
