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
    LATCHED = "latched_unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched_acknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed_by_design"
    OUT_OF_SERVICE = "out_of_service"


HELD = frozenset({State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE})
"""The states in which nobody is told, whatever happens."""


LATCHED = frozenset({State.LATCHED, State.LATCHED_ACKNOWLEDGED})
"""The states of what is over and stays until a person has looked."""


class Event(StrEnum):
    """What can happen to an alarm.

    The first four the samples bring; the next three a person, of which a comment changes nothing. Then the
    holds, and their end. The last two are of the ledger, which keeps a row for each time an alarm came:
    later samples show that it was not so, or the same alarm came again, and the new row goes on for this one.
    """

    RAISE = "raise"
    RISE = "rise"
    CLEAR = "clear"
    RECUR = "recur"
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    COMMENT = "comment"
    SHELVE = "shelve"
    SUPPRESS = "suppress"
    REMOVE = "remove"
    RELEASE = "release"
    WITHDRAW = "withdraw"
    SUPERSEDE = "supersede"


class Matter(StrEnum):
    """What a notice is about.

    A date that moved and missing data are about a service (``alerts.service_date``); a reminder goes to the
    next in turn when nobody has acknowledged (``alerts.escalation``); chatter is an alarm that comes and goes
    too often to be told each time (``alerts.chatter``).
    """

    ACTIVE = "active"
    RISE = "rise"
    NORMAL = "normal"
    WITHDRAWN = "withdrawn"
    MOVED = "date_moved"
    QUIET = "no_data"
    REMINDER = "reminder"
    CHATTER = "chatter"


STANDS = frozenset({Matter.ACTIVE, Matter.RISE, Matter.REMINDER, Matter.CHATTER})
"""The matters by which somebody learns that an alarm stands."""

OVER = frozenset({Matter.NORMAL, Matter.WITHDRAWN})
"""The matters by which somebody learns that it does not, or never did."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """The state that follows an event, and the matter to announce, if any."""

    state: State
    matter: Matter | None = None


_RAISED = Step(state=State.UNACKNOWLEDGED, matter=Matter.ACTIVE)
_OVER = Step(state=State.NORMAL, matter=Matter.NORMAL)
_WITHDRAWN = Step(state=State.NORMAL, matter=Matter.WITHDRAWN)
_GONE = Step(state=State.NORMAL)

HOLDS = {
    Event.SHELVE: State.SHELVED,
    Event.SUPPRESS: State.SUPPRESSED,
    Event.REMOVE: State.OUT_OF_SERVICE,
}
"""The events that begin a hold, and where they lead from every state."""

#: Every pair that changes something or tells somebody and does not depend on more.
#: A rise re-alarms: an acknowledgement of the lesser matter does not cover the greater one.
#: What is latched must be acknowledged before it can be reset.
_STEPS: dict[tuple[State, Event], Step] = {
    **{
        (state, event): _RAISED
        for state in (
            State.NORMAL,
            State.RETURNED,
            State.LATCHED,
            State.LATCHED_ACKNOWLEDGED,
        )
        for event in (Event.RAISE, Event.RECUR)
    },
    **{(state, Event.WITHDRAW): _WITHDRAWN for state in State if state not in HELD},
    **{
        (state, Event.SUPERSEDE): _GONE
        for state in (State.RETURNED, State.LATCHED, State.LATCHED_ACKNOWLEDGED, *HELD)
    },
    (State.RETURNED, Event.ACKNOWLEDGE): _GONE,
    (State.UNACKNOWLEDGED, Event.RISE): Step(state=State.UNACKNOWLEDGED, matter=Matter.RISE),
    (State.UNACKNOWLEDGED, Event.ACKNOWLEDGE): Step(state=State.ACKNOWLEDGED),
    (State.ACKNOWLEDGED, Event.RISE): Step(state=State.UNACKNOWLEDGED, matter=Matter.RISE),
    (State.LATCHED, Event.ACKNOWLEDGE): Step(state=State.LATCHED_ACKNOWLEDGED),
    (State.LATCHED_ACKNOWLEDGED, Event.RESET): _GONE,
}


def step(state: State, event: Event, *, active: bool = False, latches: bool = False) -> Step:
    """Give the state after ``event`` and what is to be announced.

    ``active``: the condition holds (asked when a hold ends). ``latches``: an alarm of this kind
    stays when the condition is over, until a person has looked.
    """
    if event in HOLDS:
        return Step(state=HOLDS[event])
    if event is Event.CLEAR:
        return _cleared(state, latches=latches)
    if event is Event.RELEASE and state in HELD:
        return _released(active=active, latches=latches)
    return _STEPS.get((state, event), Step(state=state))


def _cleared(state: State, *, latches: bool) -> Step:
    if state is State.UNACKNOWLEDGED:
        after = State.LATCHED if latches else State.RETURNED
    elif state is State.ACKNOWLEDGED:
        after = State.LATCHED_ACKNOWLEDGED if latches else State.NORMAL
    else:
        return Step(state=state)
    return Step(state=after, matter=Matter.NORMAL)


def _released(*, active: bool, latches: bool) -> Step:
    if active:
        return _RAISED
    return Step(state=State.LATCHED, matter=Matter.NORMAL) if latches else _OVER
