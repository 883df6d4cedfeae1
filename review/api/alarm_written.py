"""How an alarm is written for the API."""

from __future__ import annotations

from alerts import console_form
from alerts.history import Happening as Happened
from alerts.ledger import Alarm as Kept
from alerts.outbox import Entry
from alerts.teller import Teller
from review.alarm_story import Story as Told
from review.api.alarm_shapes import Alarm, Happening, Line, Story, Telling
from review.api.shape import known, moment, moment_or_none
from review.api.truck_written import priority_name


def alarm_shape(alarm: Kept, teller: Teller) -> Alarm:
    """Write an alarm, in the words of one reader."""
    return Alarm(
        id=alarm.id,
        truck=alarm.vehicle,
        kind=alarm.kind,
        title=teller.say(alarm).title,
        priority=priority_name(alarm.priority),
        state=alarm.state,
        active=alarm.active,
        onset_at=moment(alarm.onset_ms),
        raised_at=moment(alarm.raised_ms),
        first_seen_at=moment(alarm.first_seen_ms),
        cleared_at=moment_or_none(alarm.cleared_ms),
        acknowledged_at=moment_or_none(alarm.acknowledged_ms),
        acknowledged_by=alarm.acknowledged_by,
        comment=alarm.comment or None,
        probability=alarm.probability,
        evidence={name: known(value) for name, value in alarm.evidence.items()},
        turn_count=alarm.turn,
        late=alarm.late,
        withdrawn=alarm.withdrawn,
        provisional=alarm.provisional,
        chattering=alarm.chattering,
    )


def story_shape(story: Told, teller: Teller) -> Story:
    """Write all that is kept of an alarm."""
    alarm = story.alarm
    lines = console_form.lines(alarm, teller.say(alarm), teller.units.zone)
    return Story(
        alarm=alarm_shape(alarm, teller),
        held_until=moment_or_none(story.cover.until_ms if story.cover else None),
        lines=[Line(about=line.about, text=line.text) for line in lines],
        history=[_happening(each) for each in story.happened],
        told=[_telling(each) for each in story.told],
        beside=[each.id for each in story.beside],
        newer=None if story.newer is None else story.newer.id,
        before_count=story.before,
    )


def _happening(each: Happened) -> Happening:
    return Happening(
        at=moment(each.time_ms),
        event=each.event,
        before=each.before,
        after=each.after,
        priority=priority_name(each.priority),
        by=each.by or None,
        comment=each.comment or None,
    )


def _telling(entry: Entry) -> Telling:
    return Telling(
        destination=entry.destination,
        matter=entry.matter,
        state=entry.state,
        created_at=moment(entry.created_ms),
        settled_at=moment_or_none(entry.settled_ms),
        attempts_count=entry.attempts,
        last_error=entry.last_error or None,
    )
