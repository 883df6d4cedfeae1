"""The words of a notice: what was seen, how sure, what else it may be, what to do.

Pure. Names of trucks come from outside: they are cut down to letters, digits and a few signs,
so that they can carry neither headers nor markup nor links.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo

from alerts import bundle_form, content, date_words
from alerts.alarm import OVER, Matter
from alerts.bundle import Line, bundle
from alerts.content import Content
from alerts.destination import person_of
from alerts.full_form import sheet, text
from alerts.ledger import Alarm
from alerts.notice import Notice, Picture, Recipient
from alerts.outbox import Entry
from alerts.own.conditions import OWN_WORDS
from alerts.own.facts import OURSELVES
from alerts.page import Link, alarm_page, bundle_page
from alerts.phrases import HEADS, plain
from alerts.sending import Sending, Told
from alerts.short_form import sentences, short
from alerts.silence_words import everybody_words
from alerts.watch import EVERYBODY, SILENT
from models.units import Units
from models.words import Words, WriteWords


@dataclass(frozen=True, slots=True, kw_only=True)
class Extras:
    """What a notice has beside its text: a page, a picture, links that answer it.

    ``shows_pages`` tells whether a destination shows pages; ``draw`` makes the picture of one alarm;
    ``answer_url`` gives the address that acknowledges an alarm (its id and turn, the person's key, when
    the notice was made), ``answer_all_url`` the one for all alarms of a sending.
    """

    shows_pages: Callable[[str], bool] = lambda _: False
    draw: Callable[[Entry, Alarm, Units, tzinfo], Picture | None] = lambda *_: None
    answer_url: Callable[[str, int, str, int], str] | None = None
    answer_all_url: Callable[[str, str, int], str] | None = None


PLAIN = Extras()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reading:
    """How the reader of one notice reads."""

    words: Mapping[str, WriteWords]
    units: Units
    zone: tzinfo
    names: Mapping[str, str]

    def say(self, told: Told) -> Words:
        """Give the words of a telling's condition."""
        kind, vehicle = told.alarm.kind, told.alarm.vehicle
        return explain(kind, vehicle, told.entry.evidence, words=self.words, units=self.units)

    def call(self, vehicle: str) -> tuple[str, str]:
        """Give what a truck is called."""
        return _called(vehicle, self.names)


def _nobody(destination: str) -> Recipient | None:
    del destination
    return None


def compose(
    sending: Sending,
    told: Sequence[Told],
    thread: tuple[str, ...] = (),
    *,
    words: Mapping[str, WriteWords],
    units: Units,
    zone: tzinfo,
    names: Mapping[str, str],
    recipient: Callable[[str], Recipient | None] = _nobody,
    extras: Extras = PLAIN,
) -> Notice:
    """Word one notice; what was worded for an earlier try stays as it was.

    ``units`` and ``zone`` are those of the fleet: a person has their own.
    """
    reader = recipient(sending.destination)
    if sending.content:
        return content.notice(sending, told, content.decode(sending.content), reader)
    reading = _Reading(
        words=words,
        units=reader.units if reader else units,
        zone=reader.zone if reader else zone,
        names=names,
    )
    write = _one if len(told) == 1 else _several
    said = replace(write(sending, told, reading, extras), thread=thread)
    return content.notice(sending, told, said, reader)


def _one(sending: Sending, told: Sequence[Told], reading: _Reading, extras: Extras) -> Content:
    (one,) = told
    entry = one.entry
    # As it was when this was to be told: samples may have moved it since.
    alarm = replace(one.alarm, onset_ms=entry.onset_ms, remark=entry.remark)
    said = reading.say(one)
    code, name = reading.call(alarm.vehicle)
    who = f"{code} ({name})" if name else code
    head = f"{HEADS[entry.matter]} {entry.priority.name}"
    full = sheet(entry, alarm, said, who=who, zone=reading.zone, units=reading.units)
    if lead := content.moved_line(entry.moved_from):
        full = replace(full, lead=" ".join([lead, full.lead]).strip())
    url = "" if entry.matter in OVER else _answer(extras, sending, alarm.id, entry.turn)
    picture, page = None, ""
    if extras.shows_pages(sending.destination):
        picture = extras.draw(entry, alarm, reading.units, reading.zone)
        link = Link(url=url, label=bundle_form.SEEN) if url else None
        page = alarm_page(full, picture=picture, link=link)
    body = text(full)
    return Content(
        subject=f"{head} {who}: {said.title}",
        short=short(
            head, code, name, said, _more(entry, said, reading.units), act=_acts(entry)
        ),
        body=f"{body}\n{bundle_form.SEEN.upper()}\n{url}\n" if url else body,
        page=page,
        pictures=(picture,) if picture else (),
    )


def _several(
    sending: Sending, told: Sequence[Told], reading: _Reading, extras: Extras
) -> Content:
    found = bundle(told, say=reading.say, call=reading.call, units=reading.units)
    all_url = ""
    if extras.answer_all_url and any(line.stands for line in found.lines):
        person = person_of(sending.destination)
        all_url = extras.answer_all_url(sending.id, person, sending.created_ms)
    picture, page = None, ""
    if extras.shows_pages(sending.destination):
        picture = _picture(found.lines[0], told, reading, extras)
        link = Link(url=all_url, label=bundle_form.seen(found)) if all_url else None

        def answer(line: Line) -> str:
            return _answer(extras, sending, line.alarm_id, line.turn)

        laid = bundle_form.paged(found, reading.zone, answer)
        page = bundle_page(laid, picture=picture, link=link)
    return Content(
        subject=bundle_form.subject(found),
        short=bundle_form.short(found),
        body=bundle_form.text(found, reading.zone, answer_url=all_url),
        page=page,
        pictures=(picture,) if picture else (),
    )


def _picture(
    line: Line, told: Sequence[Told], reading: _Reading, extras: Extras
) -> Picture | None:
    """Draw the first alarm of a bundle, if it stands."""
    if not line.stands:
        return None
    newest = [one for one in told if one.alarm.id == line.alarm_id][-1]
    return extras.draw(newest.entry, newest.alarm, reading.units, reading.zone)


def _answer(extras: Extras, sending: Sending, alarm_id: str, turn: int) -> str:
    if extras.answer_url is None:
        return ""
    person = person_of(sending.destination)
    return extras.answer_url(alarm_id, turn, person, sending.created_ms)


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
    write = (OWN_WORDS if vehicle == OURSELVES else words).get(kind)
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
    if vehicle == OURSELVES:
        return "Heatbook", ""
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
