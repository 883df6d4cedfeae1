"""What one connection hears: the library's callbacks, turned into facts and messages.

Nothing here may raise: an exception in a callback ends the network thread.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence

import structlog
from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from ingest import client as mqtt
from ingest.errors import BadBroker, BrokerLost
from ingest.intake import Intake
from ingest.message import Message, Receipt
from ingest.mqtt_settings import MqttSettings
from ingest.outgoing import Outgoing, OutgoingBox
from ingest.refusal import (
    KEEPALIVE_TIMEOUT,
    SESSION_TAKEN_OVER,
    failed_tls,
    no_answer,
    refused_connect,
    refused_filter,
)
from ingest.source_state import Tally

log = structlog.get_logger()


class _LastError(logging.Handler):
    """Keeps the library's last error line, the only place where some TLS alerts appear."""

    words = ""

    def emit(self, record: logging.LogRecord) -> None:
        self.words = record.getMessage()


class Listener:
    """The ear of one connection and what it has learned."""

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
        self._last_error = _LastError(logging.ERROR)
        self._subscribing: int | None = None
        self._complained: set[str] = set()
        self.deaf = False
        self.live = False
        self.ended = False
        self.packets = 0
        self.generation = 0
        self.connected_ms: int | None = None
        self.taken_over = False
        self.problem: BadBroker | BrokerLost | None = None
        self.unacked: dict[int, int] = {}
        self.inflight: dict[int, Outgoing] = {}

    def attach(self, client: Client) -> None:
        """Listen to `client`."""
        quiet = logging.Logger("mqtt", logging.ERROR)  # noqa: LOG001 - ours alone, not global
        quiet.addHandler(self._last_error)
        client.enable_logger(quiet)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_publish = self._on_publish
        client.on_message = self._on_message
        # Having it stops the library from writing to the socket in the caller's thread.
        client.on_socket_register_write = lambda *_: None

    def settle(self, messages: Sequence[Message]) -> list[int]:
        """Strike out what was delivered here; return its packet ids in order of arrival."""
        arrivals = sorted(
            (order, receipt.mid)
            for receipt in (message.receipt for message in messages)
            if receipt is not None
            and receipt.connection == self.generation
            and (order := self.unacked.get(receipt.mid)) is not None
        )
        return [mid for _, mid in arrivals if self.unacked.pop(mid, None) is not None]

    def _on_connect(
        self,
        client: Client,
        _userdata: object,
        flags: ConnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        self.packets += 1
        if self.deaf:
            return
        if reason.is_failure:
            self.problem = refused_connect(reason)
            return
        tally = self._tally
        tally.generation += 1
        self.generation = tally.generation
        tally.session_present = flags.session_present
        tally.sessions_lost += tally.subscribed and not flags.session_present
        if not (tally.subscribed and flags.session_present):
            self._subscribe(client)
        self._box.put(
            Outgoing(topic=self._settings.status_topic, payload=mqtt.ONLINE, retain=True)
        )
        tally.phase = "connected"
        tally.refused = None
        self.connected_ms = self._clock()
        self.live = True
        log.info(
            "broker.connected",
            host=self._settings.host,
            port=self._settings.port,
            session_present=flags.session_present,
            generation=self.generation,
        )

    def _subscribe(self, client: Client) -> None:
        """Subscribe at the first connect of the process and whenever the session was lost.

        Not at every connect: an MQTT 3.1.1 broker sends all retained messages again each time.
        """
        if self._settings.retired_filters:
            client.unsubscribe(list(self._settings.retired_filters))
        self._subscribing = mqtt.subscribe(client, self._settings)

    def _on_subscribe(
        self,
        _client: Client,
        _userdata: object,
        mid: int,
        reasons: list[ReasonCode],
        _properties: Properties | None,
    ) -> None:
        self.packets += 1
        if mid != self._subscribing or self.deaf:
            return
        refusals = [
            refused_filter(name, reason)
            for name, reason in zip(self._settings.filters, reasons, strict=False)
            if reason.is_failure
        ]
        self._tally.subscribed = not refusals
        for refusal in refusals:
            self._tally.refused = str(refusal)
            log.error("subscription.refused", what=refusal.what, mend=refusal.mend)

    def _on_publish(
        self,
        _client: Client,
        _userdata: object,
        mid: int,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        self.packets += 1
        item = self.inflight.pop(mid, None)
        if item is not None and reason.is_failure:
            self._tally.publishes_refused += 1
            self._complain("publish.refused", topic=item.topic, reason=str(reason))

    def _on_message(self, _client: Client, _userdata: object, message: MQTTMessage) -> None:
        self.packets += 1
        if self.deaf:
            return
        receipt = None
        if message.qos > 0:
            self.unacked[message.mid] = self.packets
            receipt = Receipt(mid=message.mid, qos=message.qos, connection=self.generation)
        topic = ""
        try:
            topic = message.topic
            self._tally.received += 1
            self._tally.last_message_ms = self._clock()
        except Exception as error:  # noqa: BLE001 - see the top of this file
            # It goes on without what could not be read: the decoder refuses it by name, the
            # quarantine keeps it, and only then is it acknowledged.
            self._complain("message.unreadable", reason=repr(error))
        self._intake.put(
            Message(
                topic=topic,
                payload=bytes(message.payload),
                retain=message.retain,
                receipt=receipt,
            )
        )

    def _on_disconnect(
        self,
        _client: Client,
        _userdata: object,
        flags: DisconnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        self.live = False
        self.ended = True
        from_server = flags.is_disconnect_packet_from_server
        self.taken_over = from_server and reason.value == SESSION_TAKEN_OVER
        if self.problem is None and not self.deaf:
            self.problem = self._lost(reason)

    def _lost(self, reason: ReasonCode) -> BadBroker | BrokerLost:
        if self.connected_ms is not None:
            return BrokerLost(reason=f"the connection ended: {reason}")
        if reason.value == KEEPALIVE_TIMEOUT:
            return no_answer(self._settings)
        words = self._last_error.words
        if "SSL" in words:
            return failed_tls(words)
        version = self._settings.protocol
        return BrokerLost(reason=f"closed before an answer; does it speak MQTT {version}?")

    def _complain(self, event: str, **about: str) -> None:
        """Log a kind of trouble once per connection, not once per message."""
        if event not in self._complained:
            self._complained.add(event)
            log.error(event, **about)
