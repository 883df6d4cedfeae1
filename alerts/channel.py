"""What a channel is to the dispatcher."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from alerts.notice import Notice

Clock = Callable[[], int]
"""Gives Unix time [ms]."""


class Channel(Protocol):
    """A way to tell somebody.

    ``deliver`` blocks until the far side took the notice and returns a line for the delivery
    log (who took it); it raises ``Undelivered`` otherwise. It does not sleep,
    retry, queue or log. It ``bundles`` where people read: machines take alarms one by one.
    """

    @property
    def bundles(self) -> bool:
        """Whether one notice may speak of several alarms."""
        ...

    def deliver(self, notice: Notice) -> str:
        """Deliver one notice."""
        ...
