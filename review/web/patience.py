"""How long one connection may take: the server's own limits begin only when a request is complete."""

from __future__ import annotations

import asyncio

from uvicorn.protocols.http.h11_impl import H11Protocol

LONGEST_S = 60.0
"""So long a connection has to send what it wants, and the server to begin its answer [s]; own choice. Who
sends a request byte by byte, or none, would else hold one of the few places for as long as they like.

An answer under way goes on for as long as it is read: a large file on a slow line, news as they happen. Who
reads nothing for as long is shown out too."""

STREAMING = "streaming"
"""What an answer that has no end of its own sets to true in its request's state: it is cut when the server
ends."""


class Patience(H11Protocol):
    """Serves a connection until its time is up."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override] # as there
        """Begin to count."""
        super().connection_made(transport)
        self._read_on = self._waited = False
        self._left = 0
        self._count()

    def connection_lost(self, exc: Exception | None) -> None:
        """Leave off."""
        self._end.cancel()
        super().connection_lost(exc)

    def resume_writing(self) -> None:
        """Note that the far side reads on."""
        self._read_on = True
        super().resume_writing()

    def shutdown(self) -> None:
        """End: what is being sent is sent to its end, where it has one."""
        if self._answering() and self.cycle.scope.get("state", {}).get(STREAMING):
            self.transport.abort()
        else:
            super().shutdown()

    def _count(self) -> None:
        self._end = self.loop.call_later(LONGEST_S, self._time_is_up)

    def _time_is_up(self) -> None:
        if self._is_read() if self._sending() else self._is_waited_for():
            self._count()
        else:
            self.transport.abort()

    def _sending(self) -> bool:
        begun = self._answering() and self.cycle.response_started
        return begun or self.transport.get_write_buffer_size() > 0

    def _is_read(self) -> bool:
        """Say whether the far side has taken anything since the last look, or all there was."""
        left, before = self.transport.get_write_buffer_size(), self._left
        read = self._read_on or left == 0 or left < before
        self._read_on, self._left = False, left
        return read

    def _is_waited_for(self) -> bool:
        """Say whether a request came whole and has waited for us no longer than once."""
        waited, self._waited = self._waited, True
        return self._answering() and not self.cycle.more_body and not waited

    def _answering(self) -> bool:
        return bool(self.cycle) and not self.cycle.response_complete
