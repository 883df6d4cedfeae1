"""The broker dies under a running daemon: one alarm for all trucks, and its end when the broker is back."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests.brokers import need_mosquitto
from tests.e2e.scene import RATE, SEED, TRUCK
from tests.torture.material import material, only
from tests.torture.rig import Rig, rig

pytestmark = pytest.mark.timeout(240)

MINUTE_A_SECOND = 60.0


def told(parts: Rig) -> list[dict[str, Any]]:
    """Give what the web address got of silences."""
    events = [json.loads(posted.body)["data"] for posted in list(parts.web.posted)]
    return [each for each in events if each.get("alarm") == "gateway_silent"]


def test_a_broker_that_dies_is_one_alarm_and_names_itself(tmp_path: Path) -> None:
    need_mosquitto()
    stock = only(material(SEED, hours=0.5), [TRUCK])
    with rig(tmp_path, stock, rate=MINUTE_A_SECOND) as parts:
        parts.listen()
        gateways = parts.load(SEED, rate=RATE, waits=False)
        # Once all is recorded: a truck that was never heard cannot fall silent.
        parts.child.wait_for(gateways.drained, "the gateways to get rid of their samples")
        parts.child.wait_for(parts.has_all, "the daemon to store everything")
        assert parts.ledger.recorded
        parts.broker.kill()
        parts.child.wait_for(lambda: bool(told(parts)), "the alarm of the outage")
        parts.broker.start()
        parts.child.wait_for(lambda: len(told(parts)) > 1, "the end of the outage")
        assert parts.child.stop() == 0
        raised, over = told(parts)
    assert (raised["vehicle"], raised["matter"], over["matter"]) == ("*", "active", "normal")
    assert raised["evidence"]["broker_down_minutes"] >= 5.0
    assert "No connection to the message broker" in raised["subject"]
    assert raised["alarm_id"] == over["alarm_id"]
