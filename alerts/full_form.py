"""An alarm in full, for a mail: what to do, what was seen, what it may be, what would tell, the dangers."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import tzinfo

from alerts import date_words
from alerts.alarm import Matter
from alerts.ledger import Alarm
from alerts.outbox import Entry
from alerts.phrases import MANUAL_FIRST, moment, sure
from models.units import Units
from models.words import Words


def body(entry: Entry, alarm: Alarm, said: Words, who: str, zone: tzinfo, units: Units) -> str:
    """Write the text of a notice, in paragraphs."""
    if entry.matter is Matter.WITHDRAWN:
        parts = [_withdrawn(alarm)]
    elif entry.matter is Matter.NORMAL:
        parts = _normal(entry, alarm, said, zone)
    elif entry.matter is Matter.MOVED:
        parts = _moved(entry, said, units)
    elif entry.matter is Matter.QUIET:
        parts = _quiet(entry, units)
    else:
        parts = list(_active(entry, alarm, said, zone))
        if quiet := date_words.no_data_words(entry.evidence, units):
            parts.insert(1, f"HOW OLD THIS IS\n{quiet}")
    foot = f"Alarm {alarm.id}, known here since {moment(alarm.first_seen_ms, zone)}."
    return "\n\n".join([f"{who}\n{said.title}", *parts, foot]) + "\n"


def _active(entry: Entry, alarm: Alarm, said: Words, zone: tzinfo) -> Iterator[str]:
    since = moment(alarm.onset_ms, zone)
    if entry.matter is Matter.RISE:
        since += f"; {entry.priority.name.lower()} since {moment(entry.time_ms, zone)}"
    told = (
        ("WHAT TO DO NOW", (said.action,)),
        ("WHAT WAS SEEN", (said.observed, said.share)),
        ("WHAT A HEALTHY TRUCK WOULD HAVE SHOWN", (said.expected,)),
        ("SINCE", (since, said.since)),
        ("HOW SURE", (said.sure or sure(entry.probability),)),
        ("CAUSES THAT REMAIN", (said.rivals,)),
        ("WHAT ELSE COULD EXPLAIN IT", (said.doubts,)),
        ("WHAT WOULD TELL", (said.tells_apart,)),
        ("LAST SEEN TO WORK", (said.proven,)),
    )
    for heading, lines in told:
        if text := "\n".join(line for line in lines if line):
            yield f"{heading}\n{text}"
    yield _cautions(said)


def _cautions(said: Words) -> str:
    return "\n".join(["CAUTIONS", *(f"- {one}" for one in (*said.cautions, MANUAL_FIRST))])


def _normal(entry: Entry, alarm: Alarm, said: Words, zone: tzinfo) -> list[str]:
    span = f"From {moment(alarm.onset_ms, zone)}\nto {moment(entry.time_ms, zone)}"
    remark = [f"REMARK\n{alarm.remark.capitalize()}."] if alarm.remark else []
    return [
        "The condition is over. It may come back until its cause is found.",
        f"IT LASTED\n{span}",
        f"WHAT WAS SEEN\n{said.observed}",
        *remark,
        f"CAUTIONS\n- {MANUAL_FIRST}",
    ]


def _moved(entry: Entry, said: Words, units: Units) -> list[str]:
    return [
        f"THE DATE\n{date_words.moved_words(entry.evidence, units)}",
        f"WHAT WAS SEEN\n{said.observed}",
        f"WHAT ELSE COULD EXPLAIN IT\n{said.doubts}",
        "WHAT TO DO NOW\nIf the service is booked already, see whether the booking still fits.",
        _cautions(said),
    ]


def _quiet(entry: Entry, units: Units) -> list[str]:
    return [
        f"THE DATE\n{date_words.quiet_words(entry.evidence, units)}",
        (
            "WHAT TO DO NOW\nA truck at rest needs nothing now. If it is in use, go by its odometer "
            "and have the gateway looked at."
        ),
        f"CAUTIONS\n- {MANUAL_FIRST}",
    ]


def _withdrawn(alarm: Alarm) -> str:
    return (
        "An earlier notice of this alarm no longer holds: samples that came later "
        f"show otherwise ({alarm.remark or 'no remark'}). Before work begun because of it is "
        "broken off, have the truck's record looked at."
    )
