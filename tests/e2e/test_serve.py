"""``heatbook serve`` from end to end: broker, store, mail, webhook, acknowledgement, replay."""

from __future__ import annotations

import json
import math
import subprocess
from collections.abc import Iterator

import pytest
from standardwebhooks.webhooks import Webhook

from alerts import journal
from deploy.database import read_only
from models.units import rfc3339
from tests.brokers import need_mosquitto
from tests.e2e.scene import TRUCK, Played, play
from tests.torture.child import COMMAND, PATIENCE_S
from tests.torture.ledger import time_ms
from tests.torture.rig import SECRET

pytestmark = pytest.mark.timeout(240)


@pytest.fixture(scope="module", params=["5", "3.1.1"])
def played(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Played]:
    need_mosquitto()
    protocol: str = request.param
    with play(tmp_path_factory.mktemp(f"mqtt-{protocol}"), protocol) as found:
        yield found


def test_a_stuck_bypass_is_told_once_by_a_signed_webhook(played: Played) -> None:
    told = []
    for posted in played.posted:
        body = Webhook(SECRET).verify(posted.body.decode(), posted.headers)
        told.append((body["data"]["alarm"], body["data"]["matter"], body["data"]["vehicle"]))
    assert told.count(("bypass_stuck", "active", TRUCK)) == 1
    assert len({posted.headers["webhook-id"] for posted in played.posted}) == len(played.posted)


def test_a_stuck_bypass_is_told_once_by_mail(played: Played) -> None:
    """What comes within moments of each other is one mail: the day is sent in seconds here."""
    told = [mail for mail in played.mails if "bypass valve stuck" in str(mail["Subject"])]
    assert len(told) == 1
    assert TRUCK in str(told[0]["Subject"])
    body = told[0].get_body(("plain",))
    assert body is not None
    assert "CRITICAL" in body.get_content()
    assert len({mail["Message-ID"] for mail in played.mails}) == len(played.mails)


def test_what_a_webhook_is_told_one_by_one_a_reader_is_told_in_few_mails(
    played: Played,
) -> None:
    kinds = {json.loads(posted.body)["data"]["alarm"] for posted in played.posted}
    titles = {"bypass_stuck": "Cooler bypass valve stuck", "over_temperature": "too hot"}
    text = "".join(
        part.get_content()
        for mail in played.mails
        if (part := mail.get_body(("plain",))) is not None
    )
    assert kinds >= titles.keys()
    assert all(title in text for title in titles.values())
    assert len(played.mails) < len(played.posted)


def test_the_acknowledgement_comes_after_the_commit_and_names_the_newest(
    played: Played,
) -> None:
    assert played.received
    assert not played.too_early
    seqs = [one["seq"] for one in played.received]
    assert seqs == sorted(seqs)
    samples = played.ledger.trucks[TRUCK].samples
    last = max(samples)
    assert played.received[-1]["seq"] == last
    assert time_ms(played.received[-1]) == time_ms(samples[last])


def test_a_second_daemon_on_the_store_is_refused_in_plain_words(played: Played) -> None:
    assert played.second_code == 1
    assert "another Heatbook already writes to" in played.second_said
    assert "Traceback" not in played.second_said


def test_a_replay_of_the_same_messages_gives_the_same_alarms(played: Played) -> None:
    config = str(played.rig.child.config)
    done = subprocess.run(  # noqa: S603 - our own command
        [*COMMAND, "replay", str(played.capture), "--json", "--config", config],
        capture_output=True,
        check=False,
        timeout=PATIENCE_S,
    )
    assert done.returncode == 0, done.stderr
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    with read_only(played.rig.child.store) as conn:
        live = journal.history(conn)
    wanted = [
        {
            "type": "alarm",
            "time": rfc3339(one.time_ms),
            "vehicle": one.vehicle,
            "alarm": one.kind,
            "state": "active" if one.active else "normal",
            "priority": one.priority.name.lower(),
            "probability": one.probability,
            # What is not known is null: JSON has no NaN.
            "evidence": {
                name: None if math.isnan(value) else value
                for name, value in one.evidence.items()
            },
        }
        for one in live
    ]
    assert [line for line in lines if line["type"] == "alarm"] == wanted
    assert "bypass_stuck" in {line["alarm"] for line in wanted}
    accounts = [line for line in lines if line["type"] == "account"]
    assert [line["samples"] for line in accounts] == [played.ledger.recorded]
