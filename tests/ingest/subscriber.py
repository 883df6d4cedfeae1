"""A process that prints each message and acknowledges it; for tests that kill it."""

from __future__ import annotations

import os
import sys
from random import Random
from typing import cast

from deploy.waiting import until
from ingest.mqtt_settings import MqttSettings, Protocol
from ingest.source import MqttSource
from tests.brokers import PATIENCE_S, clock


def main(port: int, protocol: Protocol) -> None:
    settings = MqttSettings(host="127.0.0.1", port=port, protocol=protocol)
    source = MqttSource(settings, clock=clock, rng=Random(1))
    source.start()
    until(lambda: source.state.connected and not source.state.unsent, PATIENCE_S)
    _say("connected")
    while True:
        for message in source.take(7, 1.0):
            _say(message.payload.decode())
            source.ack([message])


def _say(words: str) -> None:
    os.write(1, f"{words}\n".encode())


if __name__ == "__main__":
    # The log would mingle with what the test reads.
    sys.stdout = sys.stderr
    main(int(sys.argv[1]), cast("Protocol", sys.argv[2]))
