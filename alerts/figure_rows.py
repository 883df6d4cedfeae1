"""What the figures of the alarms are counted from: steps, notices that arrived, holds. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from alerts.alarm import State
from models.transition import Priority


@dataclass(frozen=True, slots=True, kw_only=True)
class Happening:
    """One step of one alarm, as ``alarm_event`` keeps it."""

    alarm_id: str
    vehicle: str
    kind: str
    time_ms: int
    event: str
    before: State
    after: State
    priority: Priority


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrival:
    """One notice that arrived: ``person`` empty where the destination is a machine or a list.

    ``wanted_ms`` is when it was to go out at the earliest.
    """

    person: str
    wanted_ms: int
    arrived_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Holding:
    """One hold: what state it puts alarms in, from when to when [Unix ms]; ``None``: it stands."""

    state: State
    from_ms: int
    ended_ms: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """When an alarm was first known [Unix ms], and whether anybody got a notice of it."""

    first_ms: int
    told: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Rows:
    """All that lies in a span, and of the steps what went before it and still matters.

    Steps in the order in which they were taken.
    """

    happenings: Sequence[Happening]
    arrivals: Sequence[Arrival] = ()
    holdings: Sequence[Holding] = ()
    seen: Sequence[Seen] = ()
