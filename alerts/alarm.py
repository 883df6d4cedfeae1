"""The life of an alarm as a pure function: which state follows, and is anybody to be told.

States and words of IEC 62682 / ISA-18.2. The condition (is it so) and the acknowledgement (does
somebody know) are one state, as the standards draw it.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class State(StrEnum):
    """Alarm states of IEC 62682 / ISA-18.2; the last three hold an alarm back on purpose."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned_unacknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed_by_design"
    OUT_OF_SERVICE = "out_of_service"


class Event(StrEnum):
    """What can happen to an alarm."""

    RAISE = "raise"
    RISE = "rise"
    CLEAR = "clear"
    ACKNOWLEDGE = "acknowledge"
    RECUR = "recur"


class Matter(StrEnum):
    """What a notice is about.

    A date that moved and missing data are about a service (``alerts.service_date``); a reminder goes to the
    next in turn when nobody has acknowledged (``alerts.escalation``).
    """

    ACTIVE = "active"
    RISE = "rise"
    NORMAL = "normal"
    WITHDRAWN = "withdrawn"
    MOVED = "date_moved"
    QUIET = "no_data"
    REMINDER = "reminder"


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """The state that follows an event, and the matter to announce, if any."""

    state: State
    matter: Matter | None = None


_TO_UNACKNOWLEDGED = Step(state=State.UNACKNOWLEDGED, matter=Matter.ACTIVE)

#: Every pair that changes something or tells somebody; all others leave the alarm as it is.
#: A rise re-alarms: an acknowledgement of the lesser matter does not cover the greater one.
_STEPS: dict[tuple[State, Event], Step] = {
    (State.NORMAL, Event.RAISE): _TO_UNACKNOWLEDGED,
    (State.NORMAL, Event.RECUR): _TO_UNACKNOWLEDGED,
    (State.RETURNED, Event.RAISE): _TO_UNACKNOWLEDGED,
    (State.RETURNED, Event.RECUR): _TO_UNACKNOWLEDGED,
    (State.RETURNED, Event.ACKNOWLEDGE): Step(state=State.NORMAL),
    (State.UNACKNOWLEDGED, Event.RISE): Step(state=State.UNACKNOWLEDGED, matter=Matter.RISE),
    (State.UNACKNOWLEDGED, Event.CLEAR): Step(state=State.RETURNED, matter=Matter.NORMAL),
    (State.UNACKNOWLEDGED, Event.ACKNOWLEDGE): Step(state=State.ACKNOWLEDGED),
    (State.ACKNOWLEDGED, Event.RISE): Step(state=State.UNACKNOWLEDGED, matter=Matter.RISE),
    (State.ACKNOWLEDGED, Event.CLEAR): Step(state=State.NORMAL, matter=Matter.NORMAL),
}


def step(state: State, event: Event) -> Step:
    """Give the state after ``event`` and what is to be announced."""
    return _STEPS.get((state, event), Step(state=state))
