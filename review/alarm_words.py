"""How an alarm stands, what happened to it, and what came of telling people, in words."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import tzinfo

from alerts.alarm import HELD, Event, State
from alerts.hold import Hold
from alerts.ledger import Alarm
from alerts.outbox import Entry
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

STANDARD: Mapping[State, str] = {
    State.NORMAL: "normal",
    State.UNACKNOWLEDGED: "unacknowledged",
    State.ACKNOWLEDGED: "acknowledged",
    State.RETURNED: "returned to normal, unacknowledged",
    State.LATCHED: "latched, unacknowledged",
    State.LATCHED_ACKNOWLEDGED: "latched, acknowledged",
    State.SHELVED: "shelved",
    State.SUPPRESSED: "suppressed by design",
    State.OUT_OF_SERVICE: "out of service",
}
"""The states in the words of IEC 62682 and ISA-18.2."""

MEANING: Mapping[State, str] = {
    State.NORMAL: "It is over, and nobody is asked for anything.",
    State.UNACKNOWLEDGED: "It stands, and nobody has said that they know.",
    State.ACKNOWLEDGED: "It stands, and somebody knows.",
    State.RETURNED: "It is over, and nobody has said that they know.",
    State.LATCHED: "It is over, and stays here until somebody has looked at the truck.",
    State.LATCHED_ACKNOWLEDGED: (
        "It is over and somebody knows; it stays here until they have looked at the truck."
    ),
    State.SHELVED: "It was put aside for a while: nobody is told until it comes back by itself.",
    State.SUPPRESSED: "No sense is expected of it just now, so nobody is told.",
    State.OUT_OF_SERVICE: "Nobody is told until it is put into service again.",
}
"""What each state comes to for somebody who never read the standards."""

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


def outcome_words(entry: Entry) -> str:
    """Say what came of telling somebody."""
    words = {
        "pending": "waits to be sent" if not entry.attempts else "is tried again",
        "delivered": "told",
        "abandoned": "given up",
        "cancelled": "not needed any more",
    }
    said = words.get(entry.state, entry.state)
    return f"{said}: {entry.last_error}" if entry.last_error else said
