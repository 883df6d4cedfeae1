"""What a thread that runs beside the daemon has to have."""

from __future__ import annotations

from typing import Protocol


class Companion(Protocol):
    """A thread that comes and goes with the daemon; what befalls it stays its own."""

    def start(self) -> None:
        """Begin."""
        ...

    def stop(self) -> object:
        """End soon."""
        ...
