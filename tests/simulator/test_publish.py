"""A fleet on a real broker: published, acknowledged, resent after the broker dies."""

import json
import threading
import time
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from paho.mqtt.client import Client, MQTTMessage, MQTTv311
from paho.mqtt.enums import CallbackAPIVersion

from deploy.waiting import until
from simulator.northfold import START_MS
from simulator.plan import Fleet
from simulator.publish import Broker as Address
from simulator.run import Simulated, SimulateOptions, run
from simulator.trucks import truck_plan
from tests.brokers import PATIENCE_S, Broker, need

FLEET = Fleet(name="test", plans=(truck_plan("T-1"), truck_plan("T-2", period_s=1)))


class Daemon:
    """The far side: stores by number and says, retained, how far it has come without a gap."""

    def __init__(self, broker: Broker) -> None:
        self.stored: dict[str, set[int]] = defaultdict(set)
        self.newest: dict[str, str] = defaultdict(str)
        self.online: dict[str, bool] = {}
        self.deaf = threading.Event()
        self._client = Client(
            CallbackAPIVersion.VERSION2, client_id="daemon", protocol=MQTTv311
        )
        self._client.reconnect_delay_set(1, 1)
        self._client.on_connect = lambda client, *_: client.subscribe("fleet/#", qos=1)
        self._client.on_message = self._take
        self._client.connect(broker.host, broker.port)
        self._client.loop_start()

    def _take(self, client: Client, _userdata: object, message: MQTTMessage) -> None:
        _, vehicle, kind = message.topic.split("/")
        if kind == "status":
            self.online[vehicle] = json.loads(message.payload)["online"]
        if kind != "telemetry" or self.deaf.is_set():
            return
        value = json.loads(message.payload)
        stored = self.stored[vehicle]
        samples = value if isinstance(value, list) else [value]
        stored.update(sample["seq"] for sample in samples)
        self.newest[vehicle] = max(
            self.newest[vehicle], *(str(sample["time"]) for sample in samples)
        )
        seq = 0
        while seq + 1 in stored:
            seq += 1
        answer = json.dumps({"time": self.newest[vehicle], "seq": seq})
        client.publish(f"fleet/{vehicle}/received", answer, qos=1, retain=True)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def daemon(broker: Broker) -> Iterator[Daemon]:
    one = Daemon(broker)
    yield one
    one.close()


class Running:
    """A run on a thread of its own."""

    def __init__(self, options: SimulateOptions) -> None:
        self.stop = threading.Event()
        self.results: list[Simulated] = []
        self._thread = threading.Thread(target=self._run, args=(options,))
        self._thread.start()

    def _run(self, options: SimulateOptions) -> None:
        self.results.append(
            run(options, clock=time.monotonic, sleep=time.sleep, stop=self.stop, fleet=FLEET)
        )

    def finish(self) -> Simulated:
        self.stop.set()
        self._thread.join(PATIENCE_S)
        return self.results[0]


def _options(broker: Broker) -> SimulateOptions:
    address = Address(host=broker.host, port=broker.port)
    return SimulateOptions(broker=address, speed=120.0, start_ms=START_MS)


def _complete(daemon: Daemon, least: int) -> bool:
    stored = daemon.stored["T-2"]
    return len(stored) > least and stored == set(range(1, max(stored) + 1))


@pytest.mark.parametrize("shared", [False, True])
def test_a_fleet_reports_and_forgets_what_is_received(
    broker: Broker, daemon: Daemon, shared: bool
) -> None:
    running = Running(replace(_options(broker), shared_connection=shared))
    arrived = until(lambda: _complete(daemon, 200) and len(daemon.online) == 2, PATIENCE_S)
    assert daemon.online == {"T-1": True, "T-2": True}
    result = running.finish()
    assert arrived
    assert until(
        lambda: len(daemon.stored["T-2"]) + len(daemon.stored["T-1"]) == result.samples,
        PATIENCE_S,
    )
    assert until(lambda: not any(daemon.online.values()), PATIENCE_S)
    assert result.kept < result.samples / 2


def test_nothing_is_forgotten_while_nobody_receives(broker: Broker, daemon: Daemon) -> None:
    daemon.deaf.set()
    running = Running(_options(broker))
    assert until(lambda: daemon.online.get("T-2", False), PATIENCE_S)
    result = running.finish()
    assert result.kept == result.samples


def test_a_broker_killed_loses_nothing(broker: Broker, daemon: Daemon) -> None:
    need(broker.kind, "keep its state over a restart")
    running = Running(_options(broker))
    assert until(lambda: _complete(daemon, 100), PATIENCE_S)
    broker.kill()
    broker.restart()
    before = max(daemon.stored["T-2"])
    assert until(lambda: _complete(daemon, before + 300), 2 * PATIENCE_S)
    running.finish()


def test_the_live_capture_holds_what_was_sent(
    broker: Broker, daemon: Daemon, tmp_path: Path
) -> None:
    path = tmp_path / "live.jsonl"
    running = Running(replace(_options(broker), capture=path))
    assert until(lambda: _complete(daemon, 100), PATIENCE_S)
    result = running.finish()
    assert len(path.read_text().splitlines()) == result.messages


def test_a_late_clock_is_caught_up(broker: Broker) -> None:
    now = [0.0]

    def sleep(wait_s: float) -> None:
        # Every second sleep is a stall of a quarter of a minute.
        now[0] += wait_s if int(now[0]) % 2 else wait_s + 15.0

    result = run(
        replace(_options(broker), for_seconds=60.0),
        clock=lambda: now[0],
        sleep=sleep,
        fleet=FLEET,
    )
    assert result.simulated_s >= 60.0 * 120.0
    assert result.samples == sum(int(result.simulated_s) // period for period in (1, 10))


def test_without_broker_or_capture_there_is_nothing_to_do() -> None:
    with pytest.raises(ValueError, match="nothing to do"):
        run(SimulateOptions(broker=None), clock=time.monotonic, sleep=time.sleep)


def test_a_capture_alone_needs_no_clock(tmp_path: Path) -> None:
    def never() -> float:
        raise AssertionError

    path = tmp_path / "day.jsonl.gz"
    options = SimulateOptions(
        broker=None,
        capture=path,
        labels=tmp_path / "day.labels",
        fleet_file=tmp_path / "fleet.toml",
        duration_s=600.0,
    )
    result = run(options, clock=never, sleep=lambda _: None)
    assert result.messages > 100
    assert path.exists()
    assert len((tmp_path / "day.labels").read_text().splitlines()) == 2
    assert "NF-03" in (tmp_path / "fleet.toml").read_text()
