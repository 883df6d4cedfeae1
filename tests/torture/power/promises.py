"""What the daemon promised to others, read from the wire: acknowledgements, safe positions, notices.

The bytes are those that the process really sent and received; the packets are taken apart here, by MQTT 5
(OASIS, sections 2.1, 3.3, 3.4), so that no code of the daemon has a say in what was promised.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from tests.torture.ledger import time_ms
from tests.torture.power.calls import Call

PUBLISH, PUBACK = 3, 4

_NOTICE = re.compile(rb"webhook-id: ([^\r]+)\r", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Promise:
    """From ``at`` on: a sample (truck, time) is kept, all up to a counter are, or a notice bears an id."""

    at: int
    kind: Literal["sample", "received", "notice"]
    who: str
    number: int


def promises(found: Sequence[Call], *, broker_port: int, web_port: int) -> list[Promise]:
    """Read all promises, in order."""
    streams: dict[str, _Streams] = {}
    made: list[Promise] = []
    for call in sorted(found, key=_place):
        if f":{web_port}]" in call.peer and call.name == "sendto":
            made += [
                Promise(call.began, "notice", name.decode(), 0)
                for name in _NOTICE.findall(call.data)
            ]
        elif f":{broker_port}]" in call.peer and call.name in ("sendto", "recvfrom"):
            made += streams.setdefault(call.peer, _Streams()).take(call)
    return made


def _place(call: Call) -> int:
    """What is sent may arrive from the entry of the call on; what is received is there at its end."""
    return call.ended if call.name == "recvfrom" else call.began


class _Streams:
    """The two directions of one connection to the broker."""

    def __init__(self) -> None:
        self._in = b""
        self._out = b""
        self._brought: dict[int, tuple[str, bytes]] = {}

    def take(self, call: Call) -> Iterator[Promise]:
        if call.name == "recvfrom":
            packets, self._in = _packets(self._in + call.data)
            for kind, flags, body in packets:
                if kind == PUBLISH:
                    topic, number, payload = _publish(flags, body)
                    self._brought[number] = (topic, payload)
            return
        packets, self._out = _packets(self._out + call.data)
        for kind, flags, body in packets:
            if kind == PUBACK:
                topic, payload = self._brought.pop(int.from_bytes(body[:2], "big"))
                yield from _samples(call.began, topic, payload)
            elif kind == PUBLISH:
                topic, _, payload = _publish(flags, body)
                if topic.endswith("/received"):
                    seq = json.loads(payload)["seq"]
                    if seq is not None:
                        yield Promise(call.began, "received", topic.split("/")[1], int(seq))


def _samples(at: int, topic: str, payload: bytes) -> Iterator[Promise]:
    _, vehicle, suffix = topic.split("/")
    if suffix != "telemetry":
        return
    document = json.loads(payload)
    for entry in document if isinstance(document, list) else [document]:
        yield Promise(at, "sample", vehicle, time_ms(entry))


def _packets(data: bytes) -> tuple[list[tuple[int, int, bytes]], bytes]:
    """Cut a stream into packets (kind, flags, body) and what is left of it."""
    found = []
    while len(data) > 1:
        length, used = _varint(data[1:5])
        end = 1 + used + length
        if not used or len(data) < end:
            break
        found.append((data[0] >> 4, data[0] & 15, data[1 + used : end]))
        data = data[end:]
    return found, data


def _publish(flags: int, body: bytes) -> tuple[str, int, bytes]:
    end = 2 + int.from_bytes(body[:2], "big")
    topic = body[2:end].decode()
    number = 0
    if flags & 6:
        number = int.from_bytes(body[end : end + 2], "big")
        end += 2
    length, used = _varint(body[end : end + 4])
    return topic, number, body[end + used + length :]


def _varint(data: bytes) -> tuple[int, int]:
    """Read a variable byte integer and how many bytes it took, 0 of them when some are still to come."""
    value = 0
    for place, byte in enumerate(data):
        value |= (byte & 127) << (7 * place)
        if byte < 128:
            return value, place + 1
    return 0, 0
