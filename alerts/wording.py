"""The words of a notice: what was seen, how sure, what else it may be, what to do.

Pure. Names of trucks come from outside: they are cut down to letters, digits and a few signs,
so that they can carry neither headers nor markup nor links.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import tzinfo

from alerts import date_words
from alerts.alarm import Matter
from alerts.full_form import body
from alerts.identity import notice_id
from alerts.ledger import Alarm
from alerts.notice import Item, Notice
from alerts.outbox import Entry
from alerts.phrases import HEADS, plain
from alerts.short_form import sentences, short
from alerts.silence_words import everybody_words
from alerts.watch import EVERYBODY, SILENT
from models.units import Units
from models.words import Words, WriteWords


def compose(
    entry: Entry,
    alarm: Alarm,
    *,
    words: Mapping[str, WriteWords],
    units: Units,
    zone: tzinfo,
    names: Mapping[str, str],
) -> Notice:
    """Word one notice; the same entry always gives the same words."""
    said = explain(alarm.kind, alarm.vehicle, entry.evidence, words=words, units=units)
    code, name = _called(alarm.vehicle, names)
    who = f"{code} ({name})" if name else code
    head = f"{HEADS[entry.matter]} {entry.priority.name}"
    first = notice_id(alarm.id, Matter.ACTIVE, 0, 0, entry.destination)
    return Notice(
        id=entry.id,
        thread=() if first == entry.id else (first,),
        destination=entry.destination,
        created_ms=entry.created_ms,
        priority=entry.priority,
        subject=f"{head} {who}: {said.title}",
        short=short(head, code, name, said, _more(entry, said, units), act=_acts(entry)),
        body=body(entry, alarm, said, who, zone, units),
        items=(_item(entry, alarm),),
    )


def _item(entry: Entry, alarm: Alarm) -> Item:
    return Item(
        alarm_id=alarm.id,
        matter=entry.matter,
        vehicle=alarm.vehicle,
        kind=alarm.kind,
        priority=entry.priority,
        probability=entry.probability,
        evidence=entry.evidence,
        onset_ms=alarm.onset_ms,
        time_ms=entry.time_ms,
    )


def explain(
    kind: str,
    vehicle: str,
    evidence: Mapping[str, float],
    *,
    words: Mapping[str, WriteWords],
    units: Units,
) -> Words:
    """Give the words of a condition; a kind or a number that is not known gets plain ones."""
    if vehicle == EVERYBODY and kind == SILENT:
        return everybody_words(evidence, units)
    write = words.get(kind, None)
    try:
        return write(evidence, units) if write else _bare(kind, evidence)
    except (KeyError, ValueError):
        # Evidence kept by an earlier version may lack a number that today's words ask for.
        return _bare(kind, evidence)


def _bare(kind: str, evidence: Mapping[str, float]) -> Words:
    numbers = ", ".join(f"{name} {value:.6g}" for name, value in sorted(evidence.items()))
    return Words(
        title=plain(kind.replace("_", " ")).capitalize(),
        observed=f"Numbers: {numbers}." if numbers else "No numbers were kept.",
        expected="Not known for this kind of alarm.",
        doubts="Not known for this kind of alarm.",
        action="Look at the truck's record and ask your technician.",
        driver=(),
        technician=(),
    )


def _called(vehicle: str, names: Mapping[str, str]) -> tuple[str, str]:
    """Give what a truck is called in a message, and by people where that differs."""
    if vehicle == EVERYBODY:
        return "all trucks", ""
    code, name = plain(vehicle), plain(names.get(vehicle, ""))
    return code, "" if name == code else name


def _acts(entry: Entry) -> bool:
    return entry.matter in (Matter.ACTIVE, Matter.RISE, Matter.REMINDER)


def _more(entry: Entry, said: Words, units: Units) -> list[str]:
    """Give the sentences that a short form may go on with."""
    if entry.matter is Matter.MOVED:
        return [f"{date_words.moved_line(entry.evidence, units)}."]
    if entry.matter is Matter.QUIET:
        return [date_words.no_data_words(entry.evidence, units)]
    return [*sentences(said.observed), *([said.share] if said.share else [])]
