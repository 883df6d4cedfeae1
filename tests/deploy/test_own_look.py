"""The look at itself: facts from real files, clocks, channels; and a daemon that goes by them."""

from __future__ import annotations

import os
import shutil
import threading
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from random import Random

import pytest
import trustme

from alerts import ledger, outbox
from alerts.life_rules import ChatterRules
from alerts.notice import Notice, Undelivered
from alerts.own.facts import OURSELVES, Failing, Limits
from alerts.pace import PaceRules
from alerts.policy import Policy, Route
from alerts.watch import SilenceLimits
from deploy import disk_room
from deploy.backup.told import LastBackup, note_backup
from deploy.batch import Counts
from deploy.daemon import Daemon, Pace, Parts
from deploy.database import Database
from deploy.disk_room import free_bytes
from deploy.history_keeper import ask, note
from deploy.history_move import Moved
from deploy.observe_sections import Watch
from deploy.own_look import OwnLook, Sources
from deploy.own_sources import (
    backup_limit,
    certificates_of,
    expiries,
    failing_archives,
    folders_of,
    newest_backup,
)
from deploy.schedule import Schedule
from deploy.settings import Settings
from deploy.signs import Signs
from deploy.waiting import until
from ingest import feed
from ingest.mqtt_settings import MqttSettings, MqttTls
from models.transition import Priority
from tests.alerts.store import NOON, plainly
from tests.deploy.store import pipeline, rules
from tests.deploy.test_daemon import DAY, PATIENCE_S, Running
from tests.list_source import ListSource
from tests.recorded import MINUTE_MS, message

HOUR_MS = 60 * MINUTE_MS


class Clocks:
    """The wall's clock and the one that never jumps, both turned by the test."""

    def __init__(self) -> None:
        self.wall_ms = NOON
        self.uptime_ms = 0

    def go_on(self, ms: int, *, step_ms: int = 0) -> None:
        self.uptime_ms += ms
        self.wall_ms += ms + step_ms


class Looked:
    """A look by clocks of the test, over a store."""

    def __init__(self, folder: Path) -> None:
        self.clocks = clocks = Clocks()
        self.database = Database(folder / "heatbook.db", synchronous="off")
        sources = Sources(
            now_ms=lambda: clocks.wall_ms,
            uptime_ms=lambda: clocks.uptime_ms,
            wall_ms=lambda: clocks.wall_ms,
        )
        self.look = OwnLook(sources, Limits(), Policy(), every_ms=1_000)
        self.running = Running(folder / "daemon")
        self.counts = Counts()

    @property
    def signs(self) -> Signs:
        return replace(self.running.daemon.signs, counts=self.counts.copy())

    def standing(self) -> set[str]:
        with self.database.write() as tx:
            self.look.tick(tx, self.signs)
        with self.database.read() as conn:
            return {each.kind for each in ledger.standing(conn) if each.active}


@pytest.fixture
def looked(tmp_path: Path) -> Iterator[Looked]:
    one = Looked(tmp_path)
    yield one
    one.database.close()
    one.running.database.close()


@pytest.mark.parametrize("step_ms", [2 * MINUTE_MS, -2 * MINUTE_MS])
def test_a_step_of_the_clock_is_seen_and_told_for_an_hour(looked: Looked, step_ms: int) -> None:
    assert looked.standing() == set()
    looked.clocks.go_on(10_000, step_ms=step_ms)
    assert looked.standing() == {"clock_wrong"}
    looked.clocks.go_on(50 * MINUTE_MS)
    assert looked.standing() == {"clock_wrong"}
    looked.clocks.go_on(11 * MINUTE_MS)
    assert looked.standing() == set()


def test_a_clock_that_is_kept_right_in_small_steps_is_none_that_jumps(looked: Looked) -> None:
    for _ in range(100):
        looked.clocks.go_on(10_000, step_ms=900)
        assert looked.standing() == set()


def test_a_clock_behind_what_was_committed_is_seen_until_it_has_caught_up(
    looked: Looked,
) -> None:
    with looked.database.write() as tx:
        ahead_ms = looked.clocks.wall_ms + 3 * HOUR_MS
        tx.execute("INSERT INTO source_position VALUES ('mqtt', 1, ?)", (ahead_ms,))
    assert looked.standing() == {"clock_wrong"}
    looked.clocks.go_on(3 * HOUR_MS)
    assert looked.standing() == set()


def test_of_what_was_refused_the_last_hour_counts(looked: Looked) -> None:
    looked.counts.received = 10_000
    looked.counts.reasons["future"] = 5_000  # before the first look: of no hour that was seen
    assert looked.standing() == set()
    looked.clocks.go_on(5 * MINUTE_MS)
    looked.counts.received += 100
    looked.counts.reasons["future"] += 60
    assert looked.standing() == {"quarantine_filling"}
    for _ in range(70):
        looked.clocks.go_on(MINUTE_MS)
        looked.counts.received += 10
        looked.standing()
    assert looked.standing() == set()


def test_the_certificate_that_the_broker_shows_is_looked_at_too(looked: Looked) -> None:
    ends_ms = looked.clocks.wall_ms + 5 * 24 * HOUR_MS
    source = replace(looked.signs.source, certificate_ends_ms=ends_ms)
    with looked.database.write() as tx:
        looked.look.tick(tx, replace(looked.signs, source=source))
        (alarm,) = ledger.standing(tx)
    assert (alarm.kind, alarm.priority) == ("certificate_expiring", Priority.HIGH)
    assert alarm.evidence == {"days_left.the broker's own": 5.0}


def test_the_look_is_not_taken_at_every_turn(looked: Looked) -> None:
    assert looked.look.due()
    looked.standing()
    assert not looked.look.due()
    looked.clocks.go_on(1_000)
    assert looked.look.due()


def test_the_room_is_what_the_system_says_and_a_disk_counts_once(tmp_path: Path) -> None:
    for name in ("store", "archive"):
        (tmp_path / name).mkdir()
    folders = {name: tmp_path / name for name in ("store", "archive", "not there")}
    (name,) = found = free_bytes(folders)
    assert name == "store"
    usage = shutil.disk_usage(tmp_path)
    assert found["store"] == pytest.approx(usage.free, rel=0.05)


def test_a_folder_that_does_not_answer_is_left_out_and_holds_nobody_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As a folder of another machine that is away; it comes back by itself."""
    away = tmp_path / "away"
    answers = threading.Event()
    asked: list[Path] = []
    look = os.statvfs

    def slow(folder: Path) -> os.statvfs_result:
        if folder == away:
            asked.append(folder)
            answers.wait(60.0)
        return look(tmp_path)

    away.mkdir()
    monkeypatch.setattr(os, "statvfs", slow)
    monkeypatch.setattr(disk_room, "PATIENCE_S", 0.05)
    folders = {"archive": away, "store": tmp_path}
    assert [*free_bytes(folders)] == [*free_bytes(folders)] == ["store"]
    assert len(asked) == 1  # no second one is sent after the first
    answers.set()
    assert until(lambda: [*free_bytes(folders)] == ["archive"], 20.0)


def test_certificates_are_those_of_the_connection_to_the_broker(tmp_path: Path) -> None:
    authority = trustme.CA()
    ends = datetime(2031, 5, 1, tzinfo=UTC)
    own = authority.issue_cert("heatbook.example", not_after=ends)
    cert, key, broken = (tmp_path / name for name in ("cert.pem", "key.pem", "ca.pem"))
    own.cert_chain_pems[0].write_to_path(cert)
    own.private_key_pem.write_to_path(key)
    broken.write_text("nothing")
    tls = MqttTls(ca_file=broken, cert_file=cert, key_file=key)
    settings = Settings(mqtt=MqttSettings(host="broker.example", tls=tls))
    assert expiries(certificates_of(settings)) == {
        "mqtt.tls.cert_file": round(ends.timestamp() * 1000)
    }
    assert certificates_of(Settings()) == {}


def test_a_move_that_left_something_undone_fails_until_one_does_not(tmp_path: Path) -> None:
    database = Database(tmp_path / "heatbook.db", synchronous="off")
    with database.write() as tx:
        assert failing_archives(tx, fed=False) == {}
        first = ask(tx, NOON)
        assert failing_archives(tx, fed=False) == {"history": Failing(since_ms=NOON)}
        note(tx, first, Moved(problems=["NF-01: no room"]), NOON + 1)
        assert failing_archives(tx, fed=False) == {"history": Failing(since_ms=NOON)}
        note(tx, ask(tx, NOON + HOUR_MS), Moved(), NOON + HOUR_MS + 1)
        assert failing_archives(tx, fed=False) == {}
    database.close()


@pytest.mark.parametrize(("trouble", "for_good"), [("away", False), ("settings", True)])
def test_a_server_that_takes_nothing_fails_where_it_is_to_be_fed(
    tmp_path: Path, trouble: feed.Trouble, for_good: bool
) -> None:
    database = Database(tmp_path / "heatbook.db", synchronous="off")
    with database.write() as tx:
        assert failing_archives(tx, fed=True) == {}
        feed.begin(tx, "http://influx.example")
        feed.troubled(tx, trouble, "no answer", NOON)
        assert failing_archives(tx, fed=True) == {
            "InfluxDB": Failing(since_ms=NOON, for_good=for_good)
        }
        assert failing_archives(tx, fed=False) == {}
    database.close()


def test_the_newest_backup_counts_where_backups_are_made(tmp_path: Path) -> None:
    database = Database(tmp_path / "heatbook.db", synchronous="off")
    with database.write() as tx:
        assert newest_backup(tx) is None
        made = LastBackup(as_of_ms=NOON, done_ms=NOON + 9, folder="b", bytes=1, months=0)
        note_backup(tx, made)
        assert newest_backup(tx) == NOON
    database.close()
    assert backup_limit(Settings()) is None
    with_folder = Settings.model_validate({"backup": {"folder": "b", "warn_after_hours": 30}})
    assert backup_limit(with_folder) == 30 * HOUR_MS


def test_the_folders_are_those_of_store_and_archive(tmp_path: Path) -> None:
    settings = Settings.model_validate({"store": {"path": tmp_path / "heatbook.db"}})
    assert folders_of(settings) == {"store": tmp_path, "archive": tmp_path / "archive"}


class Way:
    """A channel of the test: away, or takes what comes."""

    bundles = False

    def __init__(self) -> None:
        self.away = False
        self.taken: list[str] = []

    def deliver(self, notice: Notice) -> str:
        if self.away:
            raise Undelivered("no answer", retry=True, away=True)
        self.taken.append(notice.subject)
        return "taken"


def test_a_running_daemon_tells_by_its_other_channels_that_one_fails(tmp_path: Path) -> None:
    ways = {"desk": Way(), "phone": Way()}
    database = Database(tmp_path / "heatbook.db", synchronous="off")
    clock = Clocks()
    clock.wall_ms = int(DAY[-1]["time_ms"])
    policy = Policy(
        routes=(Route(channel="desk"), Route(channel="phone")),
        chatter=ChatterRules(brief_ms=0),
    )
    sources = Sources(
        now_ms=lambda: clock.wall_ms,
        uptime_ms=lambda: clock.wall_ms,
        folders={"store": tmp_path},
    )
    # A disk is short of room by limits that no disk can meet.
    limits = Watch(disk_short_mb=1e9, disk_urgent_mb=1.0).limits(None)
    parts = Parts(
        database=database,
        source=ListSource([message("NF-03", DAY[:20])]),
        pipeline=pipeline(database),
        schedule=Schedule(database, UTC),
        rules=rules(policy=policy),
        channels=ways,
        compose=plainly,
        limits=SilenceLimits(),
        now_ms=lambda: clock.wall_ms,
        rng=Random(1),
        reader_pace=PaceRules(gather_ms=0),
        own=OwnLook(sources, limits, policy, every_ms=0),
    )
    daemon = Daemon(parts, Pace(commit_wait_s=0.005, watch_every_s=0.01))
    ways["desk"].away = True
    daemon.start()
    disk = "ALARM MEDIUM Heatbook: Little room on the disk of the store"
    fails = "ALARM HIGH Heatbook: Notices by desk do not go out"
    assert until(lambda: ways["phone"].taken == [disk], PATIENCE_S)
    assert until(lambda: bool(daemon.signs.breakers["desk"].failures), PATIENCE_S)
    clock.wall_ms += 16 * MINUTE_MS
    assert until(lambda: fails in ways["phone"].taken, PATIENCE_S)
    assert ways["desk"].taken == []
    ways["desk"].away = False
    clock.wall_ms += 16 * MINUTE_MS
    # All that waited arrives there, and that it is over everywhere.
    assert until(lambda: {disk, fails} <= set(ways["desk"].taken), PATIENCE_S)
    over = fails.replace("ALARM HIGH", "BACK TO NORMAL, was HIGH")
    assert until(lambda: over in ways["phone"].taken and over in ways["desk"].taken, PATIENCE_S)
    assert daemon.signs.outcomes["desk", "deferred"] >= 1

    def states() -> set[str]:
        with database.read() as conn:
            return {each.state for each in outbox.entries(conn)}

    # What a channel has taken is noted right after.
    assert until(lambda: states() == {"delivered"}, PATIENCE_S)
    with database.read() as conn:
        tries = {
            (channel, outcome): count
            for channel, outcome, count in conn.execute(
                "SELECT destination, outcome, count(*) FROM attempt GROUP BY 1, 2"
            )
        }
        assert {each.vehicle for each in ledger.standing(conn)} <= {OURSELVES, "NF-03"}
    # The figures count the same tries as the log of notices.
    assert until(lambda: dict(daemon.signs.outcomes) == tries, PATIENCE_S)
    daemon.stop()


def test_the_store_that_failed_for_long_is_told_when_it_can_be_written(tmp_path: Path) -> None:
    looked = Looked(tmp_path)
    failed = replace(looked.signs, failed_ms=5 * MINUTE_MS)
    with looked.database.write() as tx:
        looked.look.tick(tx, failed)
        (alarm,) = ledger.standing(tx)
        assert (alarm.kind, alarm.evidence) == ("store_failing", {"failed_minutes": 5.0})
    looked.database.close()
    looked.running.database.close()
