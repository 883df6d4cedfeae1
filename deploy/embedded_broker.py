"""The broker that comes from a Python package: for the demo and for tests, not for production.

It speaks MQTT 3.1.1 only, forgets messages that were sent and not acknowledged when a client
reconnects, and forgets everything when it restarts. `python -m deploy.embedded_broker PORT`.
"""

from __future__ import annotations

import asyncio
import logging
import os
import signal
import sys
from typing import Any

CONNECTION_LIMIT = 200
"""Clients at once: a demo fleet has a dozen, the rest is head-room. Our choice."""


def configuration(port: int) -> dict[str, Any]:
    """Loopback only, anybody on this machine, nothing written to disk."""
    return {
        "listeners": {
            "default": {
                "type": "tcp",
                "bind": f"127.0.0.1:{port}",
                "max_connections": CONNECTION_LIMIT,
            }
        },
        "plugins": {"deploy.embedded_broker_users.AnyUser": {}},
    }


async def serve(port: int) -> None:
    """Serve until told to end or standard input closes."""
    # Imported here: its import takes longer than everything else in this package.
    from amqtt.broker import Broker  # noqa: PLC0415

    done = asyncio.Event()
    loop = asyncio.get_running_loop()
    loop.add_signal_handler(signal.SIGTERM, done.set)
    await loop.connect_read_pipe(lambda: _Eof(done), sys.stdin)
    broker = Broker(configuration(port))
    await broker.start()
    sys.stdout.write(f"{os.getpid()}\n")
    sys.stdout.flush()
    await done.wait()
    await broker.shutdown()


class _Eof(asyncio.Protocol):
    def __init__(self, done: asyncio.Event) -> None:
        self._done = done

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002 - the protocol's
        self._done.set()


if __name__ == "__main__":
    logging.basicConfig(level=logging.ERROR)
    logging.getLogger("amqtt").setLevel(logging.CRITICAL)
    logging.getLogger("transitions").setLevel(logging.CRITICAL)
    asyncio.run(serve(int(sys.argv[1])))
