"""The life of one connection to the broker, run by the network thread.

The network loop is ours and not the library's: the library's own thread dies without a word
when a callback raises, still says it is connected, and reads on when we have no room. A new
client object per connection keeps an acknowledgement from ever reaching a later connection,
where its packet id may stand for another message.
"""

from __future__ import annotations

import contextlib
import select
import socket
import ssl
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from paho.mqtt.client import Client

from ingest import client as mqtt
from ingest.errors import BadBroker, BrokerLost
from ingest.intake import Intake
from ingest.listener import Listener
from ingest.message import Message
from ingest.mqtt_settings import MqttSettings
from ingest.outgoing import Outgoing, OutgoingBox
from ingest.refusal import failed_connect, no_answer
from ingest.source_state import Tally

TURN_MS = 500
"""Longest wait for the network [ms]; how often at least the thread shows that it lives."""

BURST = 200
"""Packets read before acknowledgements and publishes get their turn."""

PUBLISH_WINDOW = 20
"""Publishes under way at once: the smallest default among common brokers."""

FAREWELL_MS = 2_000
"""How long a stop may take to get the last words through [ms]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ending:
    """How a connection ended; no problem means that we ended it.

    `taken_over`: the broker said so. `alone`: it ended while another one stood.
    """

    problem: BadBroker | BrokerLost | None = None
    taken_over: bool = False
    alone: bool = False
    connected: bool = False
    lived_ms: int = 0


class Connection:
    """One connection; `run` in the network thread, `ack` and `wake` from any other."""

    def __init__(
        self,
        settings: MqttSettings,
        *,
        intake: Intake,
        box: OutgoingBox,
        tally: Tally,
        clock: Callable[[], int],
    ) -> None:
        self._settings = settings
        self._intake = intake
        self._box = box
        self._tally = tally
        self._clock = clock
        self._ear = Listener(settings, intake=intake, box=box, tally=tally, clock=clock)
        self._client: Client | None = None
        self._wake_out, self._wake_in = socket.socketpair()
        self._wake_in.setblocking(False)
        self._wake_out.setblocking(False)

    @property
    def live(self) -> bool:
        """Whether the broker has accepted us and the connection stands."""
        return self._ear.live

    @property
    def unacked(self) -> int:
        """How many messages of this connection wait for their acknowledgement."""
        return len(self._ear.unacked)

    def wake(self) -> None:
        """Make the network thread look up."""
        with contextlib.suppress(OSError):  # full: it is awake already; closed: nothing to do
            self._wake_out.send(b"\0")

    def ack(self, messages: Sequence[Message]) -> int:
        """Acknowledge what this connection delivered, in the order of arrival."""
        client = self._client
        if client is None or not self.live:
            return 0
        mids = self._ear.settle(messages)
        for mid in mids:
            client.ack(mid, 1)
        self.wake()
        return len(mids)

    def abandon(self) -> None:
        """Cut off a network thread that hangs: whatever it still does counts for nothing."""
        self._ear.deaf = True
        self._ear.live = False
        self._cut()

    def run(self, stopping: Callable[[], bool]) -> Ending:
        """Connect and serve until the connection ends or `stopping` says so."""
        ear = self._ear
        try:
            self._serve(stopping)
        except BadBroker as problem:
            ear.problem = problem
        finally:
            ear.live = False
            for item in ear.inflight.values():
                self._box.put_back(item)
            self._wake_in.close()
            self._wake_out.close()
        return Ending(
            problem=ear.problem,
            taken_over=ear.taken_over,
            connected=ear.connected_ms is not None,
            lived_ms=0 if ear.connected_ms is None else self._clock() - ear.connected_ms,
        )

    def _serve(self, stopping: Callable[[], bool]) -> None:
        ear = self._ear
        client = self._client = mqtt.build(self._settings)
        ear.attach(client)
        begun_ms = self._clock()
        try:
            mqtt.connect(client, self._settings)
        except (OSError, UnicodeError) as error:
            ear.problem = failed_connect(error, self._settings)
            return
        self._tally.certificate_ends_ms = _shown_until_ms(client.socket())
        patience_ms = self._settings.connect_timeout_s * 1000
        while not ear.ended and not stopping():
            self._turn(client)
            if ear.connected_ms is None and self._clock() - begun_ms > patience_ms:
                ear.problem = ear.problem or no_answer(self._settings)
                self._cut()
        if not ear.ended:
            self._part(client)

    def _turn(self, client: Client) -> None:
        """Do one round: send what is new, wait for the network, read, write, keep alive."""
        self._tally.last_progress_ms = self._clock()
        if self.live:
            self._send_outgoing(client)
        sock = client.socket()
        if not isinstance(sock, socket.socket):
            self._ear.ended = True
            return
        if self._wait(sock, writing=client.want_write()):
            self._read(client)
        if client.want_write():
            client.loop_write()
        client.loop_misc()

    def _wait(self, sock: socket.socket, *, writing: bool) -> bool:
        """Wait until there is something to do; True when that is to read.

        With no room for more we do not read: it stays in the broker. An error or a hang-up is
        reported all the same, and reading is how the library learns of it.
        """
        reading = not self._intake.full
        if reading and isinstance(sock, ssl.SSLSocket) and sock.pending():
            return True
        poller = select.poll()
        poller.register(self._wake_in, select.POLLIN)
        wanted = (select.POLLIN if reading else 0) | (select.POLLOUT if writing else 0)
        poller.register(sock, wanted)
        ready = dict(poller.poll(TURN_MS))
        if ready.get(self._wake_in.fileno()):
            self._wake_in.recv(65_536)
        return bool(ready.get(sock.fileno(), 0) & ~select.POLLOUT)

    def _read(self, client: Client) -> None:
        """Read until nothing more is there, the intake is full, or others must have a turn."""
        for _ in range(BURST):
            seen = self._ear.packets
            client.loop_read()
            if self._ear.packets == seen or self._ear.ended or self._intake.full:
                return

    def _send_outgoing(self, client: Client) -> None:
        inflight = self._ear.inflight
        while len(inflight) < PUBLISH_WINDOW and (item := self._box.next()) is not None:
            info = client.publish(item.topic, item.payload, qos=1, retain=item.retain)
            inflight[info.mid] = item

    def _part(self, client: Client) -> None:
        """Say that we go, let acknowledgements and last words through, then disconnect."""
        ear = self._ear
        self._box.put(
            Outgoing(topic=self._settings.status_topic, payload=mqtt.OFFLINE, retain=True)
        )
        until_ms = self._clock() + FAREWELL_MS
        busy = True
        while busy and ear.live and self._clock() < until_ms:
            self._turn(client)
            busy = bool(len(self._box) or ear.inflight or client.want_write())
        ear.deaf = True
        ear.problem = None
        client.disconnect()
        client.loop_write()
        self._cut()

    def _cut(self) -> None:
        sock = None if self._client is None else self._client.socket()
        if isinstance(sock, socket.socket):
            with contextlib.suppress(OSError):
                sock.shutdown(socket.SHUT_RDWR)


def _shown_until_ms(sock: object) -> int | None:
    """Give when the certificate ends that the far side has shown [Unix ms]."""
    shown = sock.getpeercert() if isinstance(sock, ssl.SSLSocket) else None
    ends = shown.get("notAfter") if shown else None
    return ssl.cert_time_to_seconds(ends) * 1000 if isinstance(ends, str) else None
