"""The daemon with people: a mail server of the test's own, a clock that the test turns, and restarts."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC
from functools import partial
from pathlib import Path
from random import Random

import pytest

from alerts import ledger, lifecycle
from alerts.channels import SmtpSettings
from alerts.channels.smtp import SmtpChannel
from alerts.pace import PaceRules
from alerts.people import Person, Way
from alerts.policy import Policy
from alerts.routing import Plan, Rule, Step
from alerts.watch import SilenceLimits
from alerts.wording import compose
from deploy.daemon import Daemon, Pace, Parts
from deploy.database import Database
from deploy.schedule import Schedule
from models.units import METRIC
from review.kinds import WORDS
from tests.alerts.far_side import MailSide, free_port, mail_side, until
from tests.deploy.store import pipeline, rules
from tests.list_source import ListSource
from tests.recorded import MINUTE_MS, climb, message

DAY = climb(60, slope_k_min=0.2)
LAST_MS = int(DAY[19]["time_ms"])


def person(key: str) -> Person:
    ways = tuple(
        Way(channel=channel, address=f"{key}@{channel}.northfold.example")
        for channel in ("first", "second")
    )
    return Person(key=key, name=key.capitalize(), ways=ways, units=METRIC, zone=UTC)


PLAN = Plan(
    people={key: person(key) for key in ("ines", "boss")},
    fallback=Rule(
        name="fallback", tell=("ines",), steps=(Step(after_ms=10 * MINUTE_MS, tell=("boss",)),)
    ),
)


class Running:
    """A daemon on a store, told of trucks by a list, telling people by two channels of mail."""

    def __init__(self, folder: Path, port: int, now_ms: int) -> None:
        self.now_ms = now_ms
        self.source = ListSource()
        self.database = Database(folder / "heatbook.db", synchronous="off")
        policy = Policy(plan=PLAN)
        smtp = SmtpSettings(
            host="127.0.0.1", port=port, security="none", sender="heatbook@northfold.example"
        )
        parts = Parts(
            database=self.database,
            source=self.source,
            pipeline=pipeline(self.database, policy=policy),
            schedule=Schedule(self.database, UTC),
            rules=rules(policy=policy),
            channels={name: SmtpChannel(smtp) for name in ("first", "second")},
            compose=partial(
                compose,
                words=WORDS,
                units=METRIC,
                zone=UTC,
                names={},
                recipient=policy.recipient,
            ),
            limits=SilenceLimits(),
            now_ms=lambda: self.now_ms,
            rng=Random(1),
            reader_pace=PaceRules(gather_ms=0),
        )
        # The pipeline goes by the same clock as the watch.
        parts.pipeline._now_ms = lambda: self.now_ms
        pace = Pace(commit_wait_s=0.005, watch_every_s=0.01, received_every_ms=0)
        self.daemon = Daemon(parts, pace)
        self.daemon.start()

    def looked(self) -> None:
        """Wait until the daemon has looked at the clock as it stands: three looks, of which one is whole."""
        for _ in range(3):
            before = self.daemon._watch_due_ms
            until(partial(self._looked_since, before))

    def _looked_since(self, before: int) -> bool:
        return self.daemon._watch_due_ms != before

    def acknowledge(self) -> None:
        with self.database.write() as tx:
            (alarm,) = ledger.standing(tx)
            lifecycle.acknowledge(tx, alarm.id, by="Ines", now_ms=self.now_ms)


@pytest.fixture
def mail() -> Iterator[tuple[MailSide, int]]:
    port = free_port()
    with mail_side(MailSide(), port) as side:
        yield side, port


def silent(folder: Path, port: int) -> Running:
    """Start a daemon that hears a moving truck, and let the truck fall silent."""
    running = Running(folder, port, LAST_MS)
    running.source.feed([message("NF-03", DAY[:20])])
    until(lambda: bool(running.source.acked))
    running.now_ms = LAST_MS + 16 * MINUTE_MS
    return running


def test_the_next_is_told_when_nobody_acknowledges_whatever_is_restarted(
    tmp_path: Path, mail: tuple[MailSide, int]
) -> None:
    side, port = mail
    running = silent(tmp_path, port)
    until(lambda: len(side.received) == 1)
    running.looked()
    running.daemon.stop()
    told_ms = running.now_ms
    for minute in (5, 11, 20, 60):
        running = Running(tmp_path, port, told_ms + minute * MINUTE_MS)
        until(partial(lambda many: len(side.received) == many, 1 if minute < 10 else 2))
        running.looked()
        running.daemon.stop()
    assert side.envelopes == [
        ["ines@first.northfold.example"],
        ["boss@first.northfold.example"],
    ]
    assert [each["Subject"].partition(":")[0].strip() for each in side.received] == [
        "ALARM MEDIUM NF-03",
        "NOBODY HAS ACKNOWLEDGED MEDIUM NF-03",
    ]
    body = side.received[1].get_body(("plain",))
    assert body is not None
    assert "Told so far: Ines." in " ".join(body.get_content().split())


def test_after_an_answer_nobody_else_is_told(
    tmp_path: Path, mail: tuple[MailSide, int]
) -> None:
    side, port = mail
    running = silent(tmp_path, port)
    until(lambda: len(side.received) == 1)
    running.acknowledge()
    running.now_ms += 60 * MINUTE_MS
    running.looked()
    running.daemon.stop()
    assert len(side.received) == 1


def test_whoever_cannot_be_reached_by_the_first_way_is_told_by_the_next(
    tmp_path: Path, mail: tuple[MailSide, int]
) -> None:
    side, port = mail
    side.refused = {"ines@first.northfold.example": "550 no such box"}
    running = silent(tmp_path, port)
    until(lambda: len(side.received) == 1)
    running.daemon.stop()
    assert side.envelopes == [["ines@second.northfold.example"]]
