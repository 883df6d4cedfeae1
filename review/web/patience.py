"""How long one connection may take: the server's own limits begin only when a request is complete."""

from __future__ import annotations

import asyncio
import socket

from uvicorn.protocols.http.h11_impl import H11Protocol

LONGEST_S = 60.0
"""Longest life of a connection [s], whatever goes on on it; own choice. A page is a few kilobytes; who sends
a request byte by byte, or none, would else hold one of the few places for as long as they like."""


class Patience(H11Protocol):
    """Serves a connection until its time is up."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override] # as there
        """Begin to count."""
        super().connection_made(transport)
        # asyncio does it only for sockets that were made with a protocol number, and ``create_server`` names
        # none: each answer on a connection that is kept would wait 40 ms for an acknowledgement.
        transport.get_extra_info("socket").setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._end = self.loop.call_later(LONGEST_S, transport.abort)

    def connection_lost(self, exc: Exception | None) -> None:
        """Leave off."""
        self._end.cancel()
        super().connection_lost(exc)
