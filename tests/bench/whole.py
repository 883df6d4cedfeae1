"""The whole path beside a client that does nothing, on one broker and the same queued messages."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion

from deploy.broker import RunningBroker, start_broker
from deploy.waiting import until
from tests.bench.drain import CLIENT_ID, LIMIT_S, wishes
from tests.bench.traffic import traffic


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """What is queued for each: messages of so many samples, from so many trucks."""

    messages: int
    samples: int
    trucks: int = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class Rates:
    """Medians over the rounds [messages/s], and the median of the ratios of each round."""

    heatbook: float
    nothing: float
    ratio: float


def measure(folder: Path, load: Load, *, rounds: int) -> Rates:
    """Queue, drain, queue, drain, in turn, who is first changing with each round."""
    broker = start_broker("mosquitto", directory=folder / "broker")
    rates: dict[str, list[float]] = {"heatbook": [], "nothing": []}
    try:
        for number in range(rounds):
            order = ("heatbook", "nothing") if number % 2 else ("nothing", "heatbook")
            for who in order:
                _queue(broker, load)
                place = folder / f"round-{number}"
                seconds = _drain(who, broker, place, load)
                rates[who].append(load.messages / seconds)
    finally:
        broker.kill()
    ratios = [a / b for a, b in zip(rates["heatbook"], rates["nothing"], strict=True)]
    return Rates(
        heatbook=statistics.median(rates["heatbook"]),
        nothing=statistics.median(rates["nothing"]),
        ratio=statistics.median(ratios),
    )


def report(load: Load, rates: Rates) -> str:
    """Write the line of one load."""
    return (
        f"bench.whole_path: {load.samples} sample(s) a message, {load.trucks} trucks, "
        f"{load.messages} messages queued: Heatbook {rates.heatbook:,.0f} messages/s, "
        f"{rates.heatbook * load.samples:,.0f} samples/s; a paho client that only acknowledges "
        f"{rates.nothing:,.0f} messages/s; ratio {rates.ratio:.2f}"
    )


def _queue(broker: RunningBroker, load: Load) -> None:
    """Fill the session of a subscriber that is away."""
    absent = _client(CLIENT_ID)
    subscribed: list[int] = []
    absent.on_subscribe = lambda *_: subscribed.append(1)
    absent.connect(broker.host, broker.port, clean_start=True, properties=wishes())
    absent.subscribe([("fleet/+/telemetry", 1), ("fleet/+/status", 1)])
    absent.loop_start()
    assert until(lambda: bool(subscribed), 10.0)
    absent.disconnect()
    absent.loop_stop()
    sender = _client("sender")
    sender.max_inflight_messages_set(200)
    sender.max_queued_messages_set(0)
    sender.connect(broker.host, broker.port)
    sender.loop_start()
    messages = traffic(load.messages, samples=load.samples, trucks=load.trucks)
    infos = [sender.publish(topic, payload, qos=1) for topic, payload in messages]
    assert until(infos[-1].is_published, LIMIT_S)
    assert all(info.is_published() for info in infos)
    sender.disconnect()
    sender.loop_stop()


def _client(name: str) -> Client:
    return Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=MQTTv5)


def _drain(who: str, broker: RunningBroker, folder: Path, load: Load) -> float:
    where = str(broker.port)
    if who == "heatbook":
        folder.mkdir()
        config = folder / "heatbook.toml"
        config.write_text(
            f'[mqtt]\nhost = "{broker.host}"\nport = {broker.port}\n'
            f'[store]\npath = "{folder / "heatbook.db"}"\n',
            encoding="utf-8",
        )
        where = str(config)
    done = subprocess.run(  # noqa: S603 - our own code
        [sys.executable, "-m", "tests.bench.drain", who, where, str(load.messages)],
        capture_output=True,
        text=True,
        check=True,
        timeout=LIMIT_S,
    )
    time.sleep(0.2)  # let the machine come to rest between two measurements
    return float(done.stdout.splitlines()[-1])
