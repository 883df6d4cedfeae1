"""What came first: all that happened, in one list by time, in plain words."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from alerts.alarm import Event
from alerts.destination import channel_of, person_of
from alerts.ledger import Alarm
from models.fleet import Vehicle
from models.transition import Priority
from review.alarm_words import EVENTS
from review.dossier.cause_words import first_cause
from review.dossier.facts import AlarmStory, Dossier
from review.dossier.pen import Pen, likely
from review.entry_words import KIND_WORDS, details

MOST_EXCURSIONS = 12
"""Times above the limit that stand in the list, the worst ones and the first [-]; the table has all."""

MOST_ALARMS = 40
"""Alarms that stand in the list: the most urgent, and of those the newest [-]."""

Title = Callable[[Alarm], str]
"""Says what an alarm is about."""

_TOLD: Mapping[str, str] = {
    "delivered": "was told",
    "abandoned": "could not be told",
}
_SHOWN = frozenset(Event) - {Event.SUPERSEDE}


@dataclass(frozen=True, slots=True, kw_only=True)
class Happened:
    """One line: when [Unix ms], what kind of thing, in words. ``tone``: how it is marked."""

    time_ms: int
    kind: str
    text: str
    tone: str = ""


def timeline(found: Dossier, pen: Pen, title: Title) -> tuple[Happened, ...]:
    """Give the list; of one moment what was first there comes first."""
    order = ("service", "left", "excursion", "silence", "alarm", "told", "person", "end")
    lines = [
        *_services(found, pen),
        *_departure(found),
        *_excursions(found, pen),
        *_silences(found, pen),
        *_alarms(found, title),
        *_end(found),
    ]
    return tuple(
        sorted(lines, key=lambda line: (line.time_ms, order.index(line.kind), not line.tone))
    )


def _departure(found: Dossier) -> Iterator[Happened]:
    left = found.departure
    if left is None:
        return
    if left.proven_ms and left.proven_ms >= found.span.first_ms:
        yield Happened(
            time_ms=left.proven_ms, kind="left", text="Flow through the cooler last proven."
        )
    yield Happened(
        time_ms=left.left_ms,
        kind="left",
        tone="first",
        text=f"The truck left its own healthy behaviour: {first_cause(found)}.",
    )
    if left.cause >= 0:
        yield Happened(
            time_ms=left.told_ms,
            kind="left",
            text="The evidence passed what the rate of false alarms allows.",
        )
    if left.ended_ms and not left.worked_on:
        yield Happened(
            time_ms=left.ended_ms,
            kind="left",
            text="Back in its healthy behaviour, by the evidence.",
        )


def _excursions(found: Dossier, pen: Pen) -> Iterator[Happened]:
    shown = list(found.excursions[:MOST_EXCURSIONS])
    first = min(found.excursions, key=lambda each: each.start_ms, default=None)
    if first is not None and first not in shown:
        shown.append(first)
    for each in shown:
        rank = found.excursions.index(each) + 1
        yield Happened(
            time_ms=each.start_ms,
            kind="excursion",
            tone="hot",
            text=(
                f"The fluid passed {pen.degrees(found.limits.limit_c)}: up to {pen.degrees(each.peak_c)}, "
                f"{pen.lasting(each.above_s)} above, {pen.life(each.life)} of a life used (rank {rank} of "
                f"{len(found.excursions)})."
            ),
        )


def _alarms(found: Dossier, title: Title) -> Iterator[Happened]:
    worst = sorted(found.alarms, key=lambda each: (-each.alarm.priority, -each.alarm.onset_ms))
    shown = sorted(worst[:MOST_ALARMS], key=lambda each: each.alarm.onset_ms)
    for story in shown:
        yield from _course(story, title)
        yield from _told(story, title)
    yield from _people(shown, title)


def _course(story: AlarmStory, title: Title) -> Iterator[Happened]:
    """Give what became of an alarm by itself; what samples bring took place by the truck's clock."""
    name = title(story.alarm)
    tone = Priority(story.alarm.priority).name.lower()
    for each in story.happenings:
        if each.by or each.event not in _SHOWN:
            continue
        raised = each.event in (Event.RAISE, Event.RECUR, Event.RISE)
        late = " (found in data that came late)" if raised and story.alarm.late else ""
        yield Happened(
            time_ms=story.alarm.raised_ms if each.event is Event.RAISE else each.time_ms,
            kind="alarm",
            tone=tone if raised else "",
            text=f"Alarm {EVENTS.get(each.event, each.event.value)}: {name}{late}.",
        )


def _people(shown: Sequence[AlarmStory], title: Title) -> Iterator[Happened]:
    """Give what people did, of several alarms at once in one line."""
    deeds: dict[tuple[int, str, Event, str], list[str]] = {}
    for story in shown:
        for each in story.happenings:
            if each.by:
                deed = (each.time_ms, each.by, each.event, each.comment)
                deeds.setdefault(deed, []).append(title(story.alarm))
    for (time_ms, by, event, comment), names in deeds.items():
        said = f": “{comment}”" if comment else ""
        what = EVENTS.get(event, event.value)
        text = ended(f"{by}: {what}, {'; '.join(names)}{said}")
        yield Happened(time_ms=time_ms, kind="person", text=text)


def _told(story: AlarmStory, title: Title) -> Iterator[Happened]:
    for attempt in story.tries:
        if attempt.outcome not in _TOLD:
            continue
        who, by = person_of(attempt.destination), channel_of(attempt.destination)
        yield Happened(
            time_ms=attempt.time_ms,
            kind="told",
            text=f"{f'{who}, by {by},' if who else by} {_TOLD[attempt.outcome]}: {title(story.alarm)}.",
        )


def _services(found: Dossier, pen: Pen) -> Iterator[Happened]:
    for each in found.record:
        if each.id not in found.counting or each.kind == "register":
            continue
        said = ", ".join(part for part in (details(each, pen), each.note) if part)
        yield Happened(
            time_ms=each.time_ms,
            kind="service",
            text=ended(f"{KIND_WORDS[each.kind].capitalize()} ({each.who}){_colon(said)}"),
        )
    if not any(each.time_ms == found.span.fill_ms for each in found.record):
        yield Happened(
            time_ms=found.span.fill_ms, kind="service", text=_fill(found.truck, found)
        )


def _colon(said: str) -> str:
    return f": {said}" if said else ""


def ended(text: str) -> str:
    """End a sentence, unless somebody's own words do already."""
    return text if text.endswith((".", "!", "?", ".”", "!”", "?”")) else f"{text}."


def _fill(truck: Vehicle, found: Dossier) -> str:
    if found.span.dated:
        return f"The fill went in, by the fleet file: {truck.fluid}."
    return "First sample; when the fill went in nobody has said."


def _silences(found: Dossier, pen: Pen) -> Iterator[Happened]:
    for start_ms, end_ms in found.unknown.silences:
        yield Happened(
            time_ms=start_ms,
            kind="silence",
            text=f"The gateway fell silent in motion, for {pen.lasting((end_ms - start_ms) / 1000)}.",
        )


def _end(found: Dossier) -> Iterator[Happened]:
    yield Happened(time_ms=found.span.last_ms, kind="end", text="Last sample that counts here.")
    if found.span.replaced_ms is not None:
        yield Happened(
            time_ms=found.span.replaced_ms,
            kind="end",
            tone="first",
            text="The gearbox was replaced.",
        )


def certainty(found: Dossier) -> str:
    """Say how sure the first cause is, in a word."""
    left = found.departure
    if left is None or left.cause < 0:
        return ""
    return likely(left.at_last[left.last_cause])
