"""An alarm as the API gives it."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from alerts.alarm import Event, Matter, State
from review.api.shape import Asked, Count, Moment, OneOf, Shape, Truck
from review.api.truck_shapes import Kind, PriorityName, Probability


class Alarm(Shape):
    """One alarm: a condition of a truck, from when it came until it is over and somebody knows."""

    id: str
    """Its id: it stays though later data move the onset."""
    truck: Truck
    """The truck; `*`: all, nothing is heard from anybody; `@heatbook`: Heatbook itself."""
    kind: Kind
    """What it is about."""
    title: str
    """What it is called."""
    priority: PriorityName
    """How urgent it is, or was at its peak."""
    state: State
    """Its state, by IEC 62682 / ISA-18.2."""
    active: bool
    """Whether the condition holds."""
    onset_at: Moment
    """Since when, as known now."""
    raised_at: Moment
    """When the condition was first found true, in the truck's own time."""
    first_seen_at: Moment
    """When the daemon knew."""
    cleared_at: Moment | None
    """When it was over."""
    acknowledged_at: Moment | None
    """When somebody acknowledged."""
    acknowledged_by: str | None
    """Who did."""
    comment: str | None
    """What they said."""
    probability: Probability
    """That the condition is true [0..1]."""
    evidence: dict[str, float | None]
    """The numbers behind it; each name carries its unit."""
    turn_count: int
    """How often it came back; send it along when you acknowledge, so that you answer what you saw."""
    late: bool
    """It was found so late that nobody was told at once."""
    withdrawn: bool
    """Data that came later show that it was not so."""
    provisional: bool
    """No sample confirms it yet."""
    chattering: bool
    """It comes and goes too often to be told each time."""


class Alarms(Shape):
    """A part of the list of alarms."""

    alarms: list[Alarm]
    """The alarms, newest onset first."""
    next: str | None
    """Cursor of the next part; null: this is the last."""


class Line(Shape):
    """One line of an alarm in words."""

    about: str
    """What it is about."""
    text: str
    """What it says."""


class Happening(Shape):
    """One step of an alarm's life."""

    at: Moment
    """When, by the daemon's clock."""
    event: Event
    """What happened."""
    before: State
    """Its state before."""
    after: State
    """Its state after."""
    priority: PriorityName
    """Its priority before."""
    by: str | None
    """Who did it; null: nobody, the samples did."""
    comment: str | None
    """What they said."""


class Telling(Shape):
    """Who was told, or is to be."""

    destination: str
    """By which channel, and whom."""
    matter: Matter
    """What of the alarm."""
    state: Annotated[str, OneOf(("pending", "delivered", "abandoned", "cancelled"))]
    """How far it has come."""
    created_at: Moment
    """When it was posted."""
    settled_at: Moment | None
    """When it was delivered, given up or cancelled."""
    attempts_count: int
    """How often it was tried."""
    last_error: str | None
    """Why it failed the last time."""


class Story(Shape):
    """One alarm with all that is kept of it."""

    alarm: Alarm
    """The alarm."""
    held_until: Moment | None
    """Until when it is held back on purpose; null: it is not, or nobody said until when."""
    lines: list[Line]
    """What a person reads: what to do, what was seen, cautions, causes that remain."""
    history: list[Happening]
    """What happened to it, oldest first."""
    told: list[Telling]
    """Who was told of it, oldest first."""
    beside: list[str]
    """Ids of other alarms of this truck that stand."""
    newer: str | None
    """Id of the alarm of the same kind that came after this one."""
    before_count: int
    """How often this truck had one of this kind before."""


class Acknowledgement(Asked):
    """That somebody knows of an alarm."""

    comment: Annotated[str, Field(max_length=500, pattern=r"^[^\x00-\x1f\x7f-\x9f]*$")] = ""
    """What you have to say about it."""
    turn_count: Annotated[Count, Field(ge=0, le=1_000_000)] | None = None
    """`turn_count` of the alarm as you saw it: refused when it has come again since."""
    priority: PriorityName | None = None
    """Its priority as you saw it: refused when it has become worse since."""


class Look(Asked):
    """That somebody has looked at the truck, so that a latched alarm may go."""

    comment: Annotated[str, Field(max_length=500, pattern=r"^[^\x00-\x1f\x7f-\x9f]*$")] = ""
    """What you found."""
