"""How an alarm stands and what happened to it, in words for a terminal."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import tzinfo

from alerts.alarm import HELD, Event, State
from alerts.hold import Hold
from alerts.ledger import Alarm
from review.measures import minute

STATES: Mapping[State, str] = {
    State.NORMAL: "normal",
    State.UNACKNOWLEDGED: "nobody has acknowledged",
    State.ACKNOWLEDGED: "acknowledged",
    State.RETURNED: "over, nobody has acknowledged",
    State.LATCHED: "over, to be looked at",
    State.LATCHED_ACKNOWLEDGED: "over, to be looked at and reset; acknowledged",
    State.SHELVED: "shelved",
    State.SUPPRESSED: "suppressed by design",
    State.OUT_OF_SERVICE: "out of service",
}

EVENTS: Mapping[Event, str] = {
    Event.RAISE: "came",
    Event.RISE: "became more urgent",
    Event.CLEAR: "over",
    Event.RECUR: "came again",
    Event.ACKNOWLEDGE: "acknowledged",
    Event.RESET: "reset",
    Event.COMMENT: "comment",
    Event.SHELVE: "shelved",
    Event.SUPPRESS: "suppressed by design",
    Event.REMOVE: "out of service",
    Event.RELEASE: "let go",
    Event.WITHDRAW: "withdrawn: later samples show otherwise",
    Event.SUPERSEDE: "came again as a new alarm",
}

_ACKNOWLEDGED = frozenset({State.ACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED})


def state_words(alarm: Alarm, cover: Hold | None, zone: tzinfo) -> str:
    """Say how an alarm stands: who acknowledged it, until when it is held, that it comes and goes."""
    if alarm.withdrawn and alarm.state not in HELD:
        return "withdrawn: later samples show otherwise"
    said = STATES[alarm.state]
    if alarm.state in _ACKNOWLEDGED and alarm.acknowledged_by:
        said += f" by {alarm.acknowledged_by}"
    if alarm.state in HELD and cover is not None:
        said += f" {until_words(cover, zone)}"
    return f"{said}; comes and goes" if alarm.chattering else said


def until_words(hold: Hold, zone: tzinfo) -> str:
    """Say until when a hold stands."""
    if hold.until_ms is None:
        return "until let go"
    return f"until {minute(hold.until_ms, zone)}"
