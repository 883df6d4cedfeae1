"""An alarm in full, for a mail: what to do, the dangers, what was seen, what it may be, what would tell."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import tzinfo

from alerts import date_words
from alerts.alarm import OVER, Matter
from alerts.ledger import Alarm
from alerts.outbox import Entry
from alerts.phrases import HEADS, MANUAL_FIRST, moment, sound_heading, sure
from alerts.sheet import Passage, Sheet
from models.units import Units
from models.words import Words


def body(entry: Entry, alarm: Alarm, said: Words, who: str, zone: tzinfo, units: Units) -> str:
    """Write the text of a notice, in paragraphs."""
    return text(sheet(entry, alarm, said, who=who, zone=zone, units=units))


def text(sheet: Sheet) -> str:
    """Write a sheet as plain text."""
    parts = [f"{sheet.who}\n{sheet.title}"]
    parts += [sheet.lead] if sheet.lead else []
    for each in sheet.passages:
        points = (f"- {point}" for point in each.points)
        parts.append("\n".join([each.heading.upper(), *each.lines, *points]))
    return "\n\n".join([*parts, sheet.foot]) + "\n"


def sheet(
    entry: Entry, alarm: Alarm, said: Words, *, who: str, zone: tzinfo, units: Units
) -> Sheet:
    """Say all that is to be said of an alarm in one notice."""
    lead = ""
    if entry.matter is Matter.WITHDRAWN:
        lead, passages = _withdrawn(alarm), []
    elif entry.matter is Matter.NORMAL:
        lead, passages = _ENDED, _normal(entry, alarm, said, zone)
    elif entry.matter is Matter.MOVED:
        passages = _moved(entry, said, units)
    elif entry.matter is Matter.QUIET:
        passages = _quiet(entry, units)
    else:
        # Who was told so far, that it comes and goes: what is said of this notice before all else.
        lead = f"{alarm.remark.removesuffix('.')}." if alarm.remark else ""
        passages = list(_active(entry, alarm, said, zone))
        if quiet := date_words.no_data_words(entry.evidence, units):
            passages.insert(2, Passage(heading="How old this is", lines=(quiet,)))
    return Sheet(
        head=HEADS[entry.matter],
        priority=entry.priority,
        who=who,
        title=said.title,
        lead=lead,
        passages=tuple(passages),
        foot=f"Alarm {alarm.id}, known here since {moment(alarm.first_seen_ms, zone)}.",
        urgent=entry.matter not in OVER,
    )


_ENDED = "The condition is over. It may come back until its cause is found."


def _active(entry: Entry, alarm: Alarm, said: Words, zone: tzinfo) -> Iterator[Passage]:
    since = moment(alarm.onset_ms, zone)
    if entry.matter is Matter.RISE:
        since += f"; {entry.priority.name.lower()} since {moment(entry.time_ms, zone)}"
    yield Passage(heading="What to do now", lines=(said.action,), weight="do")
    yield from driver_cautions(said.driver)
    yield from _told(
        ("What was seen", (said.observed, said.share)),
        (sound_heading(alarm.vehicle), (said.expected,)),
        ("Since", (since, said.since)),
        ("How sure", (said.sure or sure(entry.probability),)),
    )
    yield from shop_cautions(said.technician)
    yield from _told(
        ("Causes that remain", (said.rivals,)),
        ("What else could explain it", (said.doubts,)),
        ("What would tell", (said.tells_apart,)),
        ("Last seen to work", (said.proven,)),
    )


def _told(*parts: tuple[str, tuple[str, ...]]) -> Iterator[Passage]:
    """Give a passage for each part of which something is known."""
    for heading, lines in parts:
        if kept := tuple(line for line in lines if line):
            yield Passage(heading=heading, lines=kept)


def driver_cautions(driver: tuple[str, ...]) -> tuple[Passage, ...]:
    """Lay out what can hurt whoever drives: it is wanted with what to do."""
    if not driver:
        return ()
    return (Passage(heading="Cautions for whoever drives", points=driver, weight="caution"),)


def shop_cautions(technician: tuple[str, ...]) -> tuple[Passage, ...]:
    """Lay out what can hurt whoever works on the truck, and that the maker's manual comes first."""
    heading = "Cautions for whoever works on it"
    told = (Passage(heading=heading, points=technician, weight="caution"),)
    return (*(told if technician else ()), manual_first())


def manual_first() -> Passage:
    """Say how far any of this is to be trusted."""
    return Passage(heading="How far to trust it", points=(MANUAL_FIRST,), weight="caution")


def _normal(entry: Entry, alarm: Alarm, said: Words, zone: tzinfo) -> list[Passage]:
    span = (f"From {moment(alarm.onset_ms, zone)}", f"to {moment(entry.time_ms, zone)}")
    remark = (f"{alarm.remark.capitalize()}.",) if alarm.remark else ()
    return [
        Passage(heading="It lasted", lines=span),
        Passage(heading="What was seen", lines=(said.observed,)),
        *([Passage(heading="Remark", lines=remark)] if remark else []),
        manual_first(),
    ]


def _moved(entry: Entry, said: Words, units: Units) -> list[Passage]:
    booked = "If the service is booked already, see whether the booking still fits."
    return [
        Passage(heading="The date", lines=(date_words.moved_words(entry.evidence, units),)),
        Passage(heading="What to do now", lines=(booked,), weight="do"),
        *driver_cautions(said.driver),
        Passage(heading="What was seen", lines=(said.observed,)),
        *shop_cautions(said.technician),
        Passage(heading="What else could explain it", lines=(said.doubts,)),
    ]


def _quiet(entry: Entry, units: Units) -> list[Passage]:
    rest = (
        "A truck at rest needs nothing now. If it is in use, go by its odometer "
        "and have the gateway looked at."
    )
    return [
        Passage(heading="The date", lines=(date_words.quiet_words(entry.evidence, units),)),
        Passage(heading="What to do now", lines=(rest,), weight="do"),
        manual_first(),
    ]


def _withdrawn(alarm: Alarm) -> str:
    return (
        "An earlier notice of this alarm no longer holds: samples that came later "
        f"show otherwise ({alarm.remark or 'no remark'}). Before work begun because of it is "
        "broken off, have the truck's record looked at."
    )
