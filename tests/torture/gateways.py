"""Gateways under an experiment: they record, publish, keep or forget, and note it in the ledger."""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass
from queue import SimpleQueue
from random import Random
from typing import Any

from paho.mqtt.client import Client, MQTTMessage, MQTTMessageInfo, MQTTv5, MQTTv311
from paho.mqtt.enums import CallbackAPIVersion

from deploy.waiting import until
from simulator.gateway import Backlog, GatewayPlan
from simulator.publish import read_received
from tests.torture.child import PATIENCE_S
from tests.torture.ledger import Ledger, time_ms
from tests.torture.material import Material, Sample

TURN_S = 0.02
LINES = 3
"""Connections that the trucks are dealt to."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Habits:
    """How the gateways behave: ``waits`` for the end-to-end acknowledgement before it forgets."""

    port: int
    rate: float  # samples/s of all together
    waits: bool
    protocol: str = "3.1.1"
    resend_after_s: float = 2.0
    host: str = "127.0.0.1"


class Line:
    """One connection, shared by some trucks; what it hears is told on a queue."""

    def __init__(self, name: str, habits: Habits, ledger: Ledger) -> None:
        self.events: SimpleQueue[tuple[str, int] | None] = SimpleQueue()
        self._ledger = ledger
        self._waiting: list[tuple[MQTTMessageInfo, str, bytes]] = []
        version = MQTTv5 if habits.protocol == "5" else MQTTv311
        self._client = client = Client(
            CallbackAPIVersion.VERSION2, client_id=name, protocol=version
        )
        client.max_inflight_messages_set(100)
        client.reconnect_delay_set(1, 1)
        client.on_connect = self._on_connect
        client.on_message = self._on_message
        client.connect_async(habits.host, habits.port, keepalive=20)
        client.loop_start()

    @property
    def up(self) -> bool:
        return self._client.is_connected()

    def publish(self, vehicle: str, payload: bytes) -> None:
        """Publish one message; the client itself repeats it until the broker acknowledges."""
        info = self._client.publish(f"fleet/{vehicle}/telemetry", payload, qos=1)
        self._waiting.append((info, vehicle, payload))

    def settle(self) -> int:
        """Note what the broker has acknowledged since; give how many messages are under way."""
        left = []
        for one in self._waiting:
            if one[0].is_published():
                self._ledger.acknowledge(one[1], one[2])
            else:
                left.append(one)
        self._waiting = left
        return len(left)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _on_connect(self, client: Client, *_: Any) -> None:
        client.subscribe("fleet/+/received", qos=1)
        self.events.put(None)

    def _on_message(self, _client: Client, _userdata: Any, message: MQTTMessage) -> None:
        received = read_received(message.topic, message.payload)
        if received is not None:
            self.events.put((received.vehicle, received.seq))


class Gateways:
    """A fleet that publishes from a thread of its own until it is told to record no more."""

    def __init__(self, material: Material, habits: Habits, ledger: Ledger, seed: int) -> None:
        self._material = material
        self._habits = habits
        self._ledger = ledger
        self.lines = [Line(f"gateway-{n}", habits, ledger) for n in range(LINES)]
        rng = Random(f"{seed}/gateways")
        plan = GatewayPlan(waits=habits.waits, resend_after_s=habits.resend_after_s)
        self._line = {v: self.lines[n % LINES] for n, v in enumerate(material.vehicles)}
        self._backlog = {vehicle: Backlog(plan) for vehicle in material.vehicles}
        self._least = {vehicle: rng.choice((1, 1, 6)) for vehicle in material.vehicles}
        self._recording = True
        self._finishing = False
        self._stopping = False
        self._under_way = 0
        self._rate = habits.rate
        self._held_back = False
        self.failed: BaseException | None = None
        self._thread = threading.Thread(target=self._main, name="gateways", daemon=True)
        self._thread.start()

    @property
    def at_work(self) -> bool:
        """Whether samples still come."""
        return self._recording and self._thread.is_alive()

    @property
    def kept(self) -> int:
        """How many samples wait at the gateways or are under way to the broker."""
        return self._under_way + sum(len(backlog) for backlog in self._backlog.values())

    def pace(self, rate: float) -> None:
        """Record so many samples a second from now on."""
        self._rate = rate

    def hold_back(self, offline: bool) -> None:
        """Go on recording, but send nothing while offline."""
        self._held_back = offline

    def finish(self) -> None:
        """Record one last sample of each truck, and no more: a loss at the end shows then."""
        self._finishing = True

    def drained(self) -> bool:
        """Say whether nothing is kept back any more; a gateway's own fault is raised here."""
        if self.failed is not None:
            raise self.failed
        return not self._recording and self.kept == 0

    def close(self) -> None:
        """End the thread and the connections."""
        self._recording, self._stopping = False, True
        self._thread.join()
        for line in self.lines:
            line.close()

    def _main(self) -> None:
        try:
            if not until(lambda: all(line.up for line in self.lines), PATIENCE_S):
                raise TimeoutError("the broker does not answer")
            self._follow()
        except BaseException as error:  # noqa: BLE001 - handed to the experiment's own thread
            self.failed = error
            self._recording = False

    def _follow(self) -> None:
        supply = iter(self._material.samples)
        before, due = time.monotonic(), 0.0
        while not self._stopping:
            now = time.monotonic()
            due += (now - before) * self._rate
            before = now
            while self._recording and due >= 1.0:
                due -= 1.0
                one = next(supply, None)
                if one is None:
                    self._finishing = True
                    break
                self._record(*one)
            if self._recording and (self._finishing):
                self._say_last_words()
            self._listen(now)
            self._send(now)
            self._under_way = sum(line.settle() for line in self.lines)
            time.sleep(TURN_S)

    def _record(self, vehicle: str, sample: Sample) -> None:
        backlog = self._backlog[vehicle]
        self._ledger.record(vehicle, backlog.append(sample), sample)

    def _say_last_words(self) -> None:
        for truck in self._material.vehicles:
            samples = self._ledger.trucks[truck].samples if truck in self._ledger.trucks else {}
            if samples:
                last = samples[max(samples)]
                self._record(truck, {**last, "time": (time_ms(last) + 1000) / 1000.0})
        self._recording = False

    def _listen(self, now: float) -> None:
        for line in self.lines:
            while not line.events.empty():
                event = line.events.get()
                if event is not None:
                    vehicle, seq = event
                    if self._line.get(vehicle) is line:
                        self._backlog[vehicle].covered(seq, now)
                elif self._habits.waits:
                    for vehicle, of in self._line.items():
                        if of is line:
                            self._backlog[vehicle].rewind()

    def _send(self, now: float) -> None:
        for vehicle, backlog in self._backlog.items():
            line = self._line[vehicle]
            if self._held_back or not line.up:
                continue
            if self._habits.waits:
                backlog.expire(now)
            least = self._least[vehicle] if self._recording else 1
            for _ in range(3):
                if backlog.unsent < least:
                    break
                payload = backlog.take(now)
                if payload is None:
                    break
                line.publish(vehicle, payload)
