"""A notice as a channel gets it, and the one way a channel says it could not deliver."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import tzinfo

from alerts.alarm import Matter
from models.transition import Priority
from models.units import Units


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """What one alarm has to say in a notice; numbers and priority are those of ``time_ms``."""

    alarm_id: str
    matter: Matter
    vehicle: str
    kind: str
    priority: Priority
    probability: float
    evidence: Mapping[str, float]
    onset_ms: int
    time_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipient:
    """A person at the end of a destination: by what address, and how they read.

    ``address`` is in the channel's own form (mail address, number).
    """

    name: str
    address: str
    units: Units
    zone: tzinfo


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A picture in a notice: PNG, the name the page calls it by, and what it shows in words."""

    name: str
    png: bytes
    alt: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """One message to one destination; the same on every try.

    ``id`` is for the receiver to tell a repeat by; ``thread`` holds the ids of earlier notices
    that it goes on from, oldest first. ``short`` has at most 160 characters, ``body`` is plain
    text, ``page`` the same as HTML (empty: none). A report has no items.
    """

    id: str
    thread: tuple[str, ...] = ()
    destination: str
    recipient: Recipient | None = None
    created_ms: int
    priority: Priority
    subject: str
    short: str
    body: str
    page: str = ""
    items: tuple[Item, ...] = ()
    pictures: tuple[Picture, ...] = ()


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
    away
        It is the far side that failed, not this notice: others would fare no better now.
    """

    def __init__(
        self,
        reason: str,
        *,
        retry: bool,
        retry_after_s: float | None = None,
        disable: bool = False,
        away: bool = True,
    ) -> None:
        super().__init__(reason)
        self.reason = reason
        self.retry = retry
        self.retry_after_s = retry_after_s
        self.disable = disable
        self.away = away
