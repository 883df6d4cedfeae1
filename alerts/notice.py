"""A notice as a channel gets it, and the one way a channel says it could not deliver."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from alerts.alarm import Matter
from models.transition import Priority


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """One message about one alarm; the same on every try.

    ``id`` is for the receiver to tell a repeat by; ``thread`` is the id of the alarm's first
    notice by this channel. ``short`` has at most 160 characters, ``body`` is plain text.
    """

    id: str
    thread: str
    channel: str
    alarm_id: str
    matter: Matter
    vehicle: str
    kind: str
    priority: Priority
    probability: float
    evidence: Mapping[str, float]
    onset_ms: int
    time_ms: int
    created_ms: int
    subject: str
    short: str
    body: str


class Undelivered(Exception):
    """A channel could not deliver; the channel classifies, the dispatcher decides.

    Parameters
    ----------
    reason
        Plain words for the delivery log; no secrets.
    retry
        Whether another try may succeed.
    retry_after_s
        How long the far side asked to be left alone [s].
    disable
        The far side wants no more notices at all.
    """

    def __init__(
        self,
        reason: str,
        *,
        retry: bool,
        retry_after_s: float | None = None,
        disable: bool = False,
    ) -> None:
        super().__init__(reason)
        self.reason = reason
        self.retry = retry
        self.retry_after_s = retry_after_s
        self.disable = disable
