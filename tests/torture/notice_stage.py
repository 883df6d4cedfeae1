"""What the experiments with notices are played on: store, alarms, dispatcher, and a clock that they turn."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC
from functools import partial
from pathlib import Path
from random import Random

from structlog.testing import capture_logs

from alerts import chatter, sending
from alerts.channel import Channel, Clock
from alerts.channels.smtp import SmtpChannel, SmtpSettings
from alerts.channels.webhook import WebhookChannel, WebhookSettings
from alerts.dispatcher import Compose, Dispatcher
from alerts.journal import rewrite
from alerts.notice import Recipient
from alerts.policy import Policy, Route
from alerts.watch import SILENT
from alerts.wording import compose
from deploy.database import Database
from models.silence_words import words
from models.transition import Priority, Transition
from models.units import METRIC, US
from tests.torture.notice_checker import NoticeVerdict, committed, compare
from tests.torture.notice_sides import WEB, Intake, MailServer, Mood, WebReceiver

NOON = 1_767_268_800_000
SECOND, MINUTE, HOUR = 1000, 60_000, 3_600_000

PEOPLE = {"smtp/ines": METRIC, "smtp/omar": US}
POLICY = Policy(routes=tuple(Route(channel=each) for each in (*PEOPLE, WEB)))

HURRIED_S = 0.25
"""How long a channel waits for a far side [s] where some are slow: less than those take."""

PATIENT_S = 20.0
"""The same where none is [s]: the machine may be slow."""

SECRET = "whsec_bm9ydGhmb2xkLWV4YW1wbGUtc2VjcmV0LW5vdC1yZWFs"  # noqa: S105 - of the tests only

KIND = SILENT
"""The kind of the alarms that are played: its words need one number only, and no compiled model."""


def channels(
    web_port: int, mail_port: int, now_ms: Clock, *, timeout_s: float = PATIENT_S
) -> dict[str, Channel]:
    """Make the channels as the daemon would."""
    hook = WebhookSettings(
        url=f"http://127.0.0.1:{web_port}/notices",
        secrets=(SECRET,),
        allow_private=True,
        timeout_s=timeout_s,
    )
    mail = SmtpSettings(
        host="127.0.0.1",
        port=mail_port,
        security="none",
        sender="heatbook@northfold.example",
        timeout_s=timeout_s,
        helo="heatbook.northfold.example",
    )
    return {"smtp": SmtpChannel(mail), WEB: WebhookChannel(hook, now_ms=now_ms)}


def recipient(destination: str) -> Recipient | None:
    """Give who is at a destination."""
    if destination not in PEOPLE:
        return None
    name = destination.removeprefix("smtp/")
    return Recipient(
        name=name.capitalize(),
        address=f"{name}@northfold.example",
        units=PEOPLE[destination],
        zone=UTC,
    )


def wording(names: Mapping[str, str]) -> Compose:
    """Give what words a notice; ``names`` are what people call the trucks by now."""
    return partial(
        compose,
        words={KIND: words},
        units=METRIC,
        zone=UTC,
        names=names,
        recipient=recipient,
    )


def dispatcher(
    database: Database, ways: dict[str, Channel], now_ms: Clock, names: Mapping[str, str]
) -> Dispatcher:
    """Make a dispatcher; two on one store one after the other are a restart."""
    return Dispatcher(
        channels=ways,
        write=database.write,
        read=database.read,
        compose=wording(names),
        now_ms=now_ms,
        rng=Random(7),
        every_s=0.005,
    )


def change(
    tx: sqlite3.Connection,
    vehicle: str,
    onset_ms: int,
    now_ms: int,
    *,
    active: bool = True,
    priority: Priority = Priority.HIGH,
) -> None:
    """Let an alarm of a truck come, or go."""
    one = Transition(
        vehicle=vehicle,
        kind=KIND,
        time_ms=now_ms,
        onset_ms=onset_ms,
        active=active,
        priority=priority,
        probability=1.0,
        evidence={"quiet_minutes": 16.0},
    )
    rewrite(
        tx,
        vehicle=vehicle,
        after_ms=now_ms - 1,
        transitions=[one],
        now_ms=now_ms,
        policy=LOUD,
        appending=True,
    )


#: Here a silence is told though it is over at first sight: what is played is delivery.
LOUD = Policy(routes=POLICY.routes, quiet_when_over=frozenset())


@dataclass
class Stage:
    """A store with its dispatcher, far sides, and the time."""

    database: Database
    intake: Intake
    web: WebReceiver
    mail: MailServer
    timeout_s: float = PATIENT_S
    now_ms: int = NOON
    restarts: int = 0
    _loop: Dispatcher = field(init=False)

    def __post_init__(self) -> None:
        self._loop = self._new()

    def _new(self) -> Dispatcher:
        ways = channels(
            self.web.port, self.mail.port, lambda: self.now_ms, timeout_s=self.timeout_s
        )
        # Somebody renames the trucks whenever the process is away: a repeat must not say so.
        names = {f"NF-{number:03}": f"Rig {self.restarts}" for number in range(1000)}
        return dispatcher(self.database, ways, lambda: self.now_ms, names)

    def restart(self) -> None:
        """Go on as a process would that knows nothing but the store."""
        self.restarts += 1
        self._loop = self._new()
        self._loop.recover()

    def change(
        self,
        vehicle: str,
        onset_ms: int,
        *,
        active: bool = True,
        priority: Priority = Priority.HIGH,
    ) -> None:
        """Let an alarm come, or go, now."""
        with self.database.write() as tx:
            change(tx, vehicle, onset_ms, self.now_ms, active=active, priority=priority)

    def look(self) -> None:
        """Do what the daemon does every few seconds, then send what is due."""
        with self.database.write() as tx:
            chatter.tick(tx, now_ms=self.now_ms, policy=LOUD)
        self._loop.once()

    def be(self, mood: Mood) -> None:
        """Put both far sides into a mood."""
        self.web.be(mood)
        self.mail.be(mood)

    def send_again(self) -> int:
        """Do what a person does with what was given up; give how many notices that were."""
        with self.database.write() as tx:
            names = [each.id for each in sending.dead_letters(tx)]
            return sum(sending.resend(tx, name, self.now_ms) for name in names)

    @property
    def waits(self) -> bool:
        """Whether anything waits to be sent."""
        with self.database.read() as conn:
            return sending.waiting(conn)[0] > 0

    def settle(self, *, step_ms: int = 20 * SECOND, longest_ms: int = 12 * HOUR) -> int:
        """Let time pass until nothing waits; give how long that took [ms]."""
        begun_ms = self.now_ms
        while self.waits and self.now_ms - begun_ms < longest_ms:
            self.now_ms += step_ms
            self.look()
        return self.now_ms - begun_ms

    def to(self, destination: str) -> list[str]:
        """Give the ids that arrived at a destination, in order, repeats included."""
        return [each.id for each in self.intake.arrived if each.destination == destination]

    def verdict(self) -> NoticeVerdict:
        """Say how what was committed and what arrived compare."""
        return compare(committed(self.database.path), self.intake.arrived, (*PEOPLE, WEB))


@contextmanager
def stage(folder: Path, *, timeout_s: float = PATIENT_S) -> Iterator[Stage]:
    """Set up; nothing is left running."""
    folder.mkdir(parents=True, exist_ok=True)
    intake = Intake()
    web, mail = WebReceiver(intake), MailServer(intake)
    database = Database(folder / "heatbook.db", synchronous="off")
    try:
        web.be(Mood.FINE)
        mail.be(Mood.FINE)
        with capture_logs():  # thousands of lines that nobody asked for
            yield Stage(
                database=database, intake=intake, web=web, mail=mail, timeout_s=timeout_s
            )
    finally:
        web.stop()
        mail.stop()
        database.close()
