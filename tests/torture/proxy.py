"""A bad line between the daemon and the broker: a TCP relay that can do what networks do."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import struct
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from random import Random

CHUNK = 4096
HIGH_BIT = 0x80
"""Turned over, it makes a plain letter no text any more: what was damaged shows as damaged.

(A digit that becomes another digit does not: MQTT has no check sum of its own, only TLS has.)
"""


@dataclass(slots=True, kw_only=True)
class Manners:
    """How the line behaves now; all connections look here before they pass anything on."""

    delay_s: float = 0.0
    bytes_per_s: float = 0.0  # 0: as fast as it goes
    refuse: bool = False


@dataclass(slots=True, eq=False)
class Wire:
    """One connection through the relay: the daemon's side and the broker's."""

    near: asyncio.StreamWriter
    far: asyncio.StreamWriter
    dead: bool = False  # nothing gets through any more, and nobody is told
    flips: int = 0


@dataclass(slots=True)
class Proxy:
    """The relay; what it is told comes from the experiment's thread, it runs in its own."""

    target: tuple[str, int]
    rng: Random
    port: int = 0
    times: list[float] = field(default_factory=list)  # of each connection, monotonic
    flipped: int = 0
    manners: Manners = field(default_factory=Manners)
    _wires: set[Wire] = field(default_factory=set, repr=False)
    _loop: asyncio.AbstractEventLoop | None = field(default=None, repr=False)

    @property
    def accepted(self) -> int:
        """How many connections came."""
        return len(self.times)

    def cut(self) -> None:
        """End all connections in order."""
        self._each(_close)

    def reset(self) -> None:
        """End all connections by a reset: what was under way is gone."""
        self._each(_abort)

    def deaden(self) -> None:
        """Let nothing more through the connections that stand, and tell neither side."""
        self._each(_deaden)

    def flip(self) -> None:
        """Damage one byte of the next that comes from the broker."""
        self._each(_flip)

    def _each(self, act: Callable[[Wire], None]) -> None:
        loop = self._loop
        assert loop is not None
        done = threading.Event()

        def all_of_them() -> None:
            for wire in list(self._wires):
                act(wire)
            done.set()

        loop.call_soon_threadsafe(all_of_them)
        assert done.wait(10.0)

    async def serve(self, started: threading.Event, stop: asyncio.Event) -> None:
        """Relay until told to stop."""
        self._loop = asyncio.get_running_loop()
        server = await asyncio.start_server(self._accept, "127.0.0.1", 0)
        self.port = server.sockets[0].getsockname()[1]
        started.set()
        async with server:
            await stop.wait()
            server.close()
            for wire in list(self._wires):
                _abort(wire)

    async def _accept(self, reader: asyncio.StreamReader, near: asyncio.StreamWriter) -> None:
        self.times.append(time.monotonic())
        if self.manners.refuse:
            near.close()
            return
        try:
            far_reader, far = await asyncio.open_connection(*self.target)
        except OSError:
            near.close()
            return
        wire = Wire(near, far)
        self._wires.add(wire)
        try:
            await asyncio.gather(
                self._relay(wire, reader, far, damaging=False),
                self._relay(wire, far_reader, near, damaging=True),
            )
        finally:
            self._wires.discard(wire)
            _close(wire)

    async def _relay(
        self,
        wire: Wire,
        reader: asyncio.StreamReader,
        writer: asyncio.StreamWriter,
        *,
        damaging: bool,
    ) -> None:
        with contextlib.suppress(OSError):
            while data := await reader.read(CHUNK):
                if wire.dead:
                    continue
                manners = self.manners
                if manners.delay_s:
                    await asyncio.sleep(manners.delay_s)
                if manners.bytes_per_s:
                    await asyncio.sleep(len(data) / manners.bytes_per_s)
                if damaging and wire.flips:
                    data = self._damaged(wire, data)
                writer.write(data)
                await writer.drain()
        if not wire.dead:
            _close(wire)

    def _damaged(self, wire: Wire, data: bytes) -> bytes:
        wire.flips -= 1
        self.flipped += 1
        changed = bytearray(data)
        changed[self.rng.randrange(len(changed))] ^= HIGH_BIT
        return bytes(changed)


def _close(wire: Wire) -> None:
    wire.near.close()
    wire.far.close()


def _abort(wire: Wire) -> None:
    linger = struct.pack("ii", 1, 0)
    for side in (wire.near, wire.far):
        with contextlib.suppress(OSError):
            side.get_extra_info("socket").setsockopt(
                socket.SOL_SOCKET, socket.SO_LINGER, linger
            )
        side.transport.abort()


def _deaden(wire: Wire) -> None:
    wire.dead = True


def _flip(wire: Wire) -> None:
    wire.flips += 1


@contextmanager
def bad_line(host: str, port: int, rng: Random) -> Iterator[Proxy]:
    """Relay to an address from a port of its own."""
    proxy = Proxy((host, port), rng)
    started, stop = threading.Event(), asyncio.Event()
    thread = threading.Thread(
        target=lambda: asyncio.run(proxy.serve(started, stop)), name="bad-line", daemon=True
    )
    thread.start()
    assert started.wait(10.0)
    try:
        yield proxy
    finally:
        assert proxy._loop is not None
        proxy._loop.call_soon_threadsafe(stop.set)
        thread.join(10.0)
