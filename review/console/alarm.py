"""``/alarms/{id}``: all there is of one alarm, and what can be done about it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from starlette.responses import Response
from starlette.routing import BaseRoute

from alerts.alarm import Event
from alerts.destination import channel_of, person_of
from alerts.history import Happening
from alerts.ledger import Alarm
from alerts.outbox import Entry
from alerts.own.facts import OURSELVES
from alerts.phrases import HEADS, MANUAL_FIRST, sound_heading, sure
from alerts.policy import Policy
from alerts.watch import EVERYBODY
from models.words import Words
from review.alarm_list import Row
from review.alarm_story import Story, alarm_story
from review.alarm_words import EVENTS, outcome_words
from review.console.alarm_card import card_of, may_release
from review.console.alarm_deeds import NO_SUCH
from review.console.alarms import kind_words
from review.console.chart import Chart, chart_of, measured
from review.console.done import done_words
from review.console.holds import HoldForm, hold_facts
from review.console.house import House
from review.console.say import Say
from review.console.visit import Visit, route
from review.problems import Mistake
from review.series_lines import LABELS

AROUND_MS = 3_600_000
"""So much before and after an alarm its chart shows [ms]; own choice."""

LONGEST_MS = 24 * 3_600_000
"""The longest span that its chart shows [ms]; more is on the page of the truck's history."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Passage:
    """A heading and the sentences under it."""

    heading: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One thing that happened to the alarm."""

    time_ms: int
    what: str
    by: str
    comment: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Telling:
    """One person or machine that was told, or is to be."""

    what: str
    to: str
    way: str
    time_ms: int
    outcome: str
    tries: tuple[tuple[int, str], ...]


def routes(house: House) -> Sequence[BaseRoute]:
    """Give the route."""
    return (route(house, "/alarms/{id}", _alarm),)


def _alarm(visit: Visit) -> Response:
    house = visit.house
    now_ms = house.now_ms()
    with house.store.read() as conn:
        story = alarm_story(
            conn, visit.request.path_params["id"], now_ms=now_ms, rules=house.policy.holds
        )
    if story is None:
        return visit.problem(404, *NO_SUCH)
    return visit.page(
        "alarm.html",
        title=f"{visit.teller.say(story.alarm).title}, {story.alarm.vehicle}",
        story=story,
        chart=_chart(visit, story.alarm),
        labels=LABELS,
        measured=measured,
        done=done_words(visit),
        **_facts(story, visit),
        **hold_facts(visit, HoldForm(truck=story.alarm.vehicle, kind=story.alarm.kind)),
    )


def _facts(story: Story, visit: Visit) -> dict[str, Any]:
    """Give the words of the page."""
    alarm, cover, teller, say = story.alarm, story.cover, visit.teller, visit.say
    said = teller.say(alarm)
    return {
        "card": card_of(Row(alarm=alarm, cover=cover), teller, say),
        "cover": cover,
        "may_release": cover is not None and may_release(visit.visitor, cover),
        "driver": said.driver,
        "shop": (*said.technician, MANUAL_FIRST),
        "seen": seen(said, alarm, say),
        "causes": causes(said),
        "steps": [step_of(each) for each in story.happened],
        "tellings": tellings(story, visit.house.policy),
        "numbers": numbers(alarm.evidence, say),
        "beside": [card_of(Row(alarm=each, cover=None), teller, say) for each in story.beside],
        "kind": kind_words(alarm.kind),
    }


def _chart(visit: Visit, alarm: Alarm) -> Chart | None:
    """Give the temperatures of the hours around it; None where nothing was heard of the truck."""
    if alarm.vehicle in (EVERYBODY, OURSELVES):
        return None
    last_ms = min(visit.house.now_ms(), _end_ms(alarm, visit.house.now_ms()) + AROUND_MS)
    first_ms = max(alarm.onset_ms - AROUND_MS, last_ms - LONGEST_MS)
    try:
        return chart_of(
            visit,
            alarm.vehicle,
            first_ms=first_ms,
            last_ms=last_ms,
            live=alarm.active,
            panels=False,
        )
    except Mistake:
        return None


def _end_ms(alarm: Alarm, now_ms: int) -> int:
    if alarm.active:
        return now_ms
    over_ms = alarm.cleared_ms or alarm.raised_ms
    return min(over_ms, alarm.onset_ms + LONGEST_MS - AROUND_MS)


def seen(said: Words, alarm: Alarm, say: Say) -> tuple[Passage, ...]:
    """Say what raised it and how sure that is."""
    since = say.full(alarm.onset_ms)
    if alarm.cleared_ms is not None and not alarm.active:
        since = f"From {since} to {say.full(alarm.cleared_ms)}"
    told = (
        ("What was seen", " ".join(part for part in (said.observed, said.share) if part)),
        (sound_heading(alarm.vehicle), said.expected),
        ("Since" if alarm.active else "It lasted", f"{since}. {said.since}".strip()),
        ("How sure", said.sure or sure(alarm.probability)),
    )
    return tuple(Passage(heading=heading, text=text) for heading, text in told if text)


def causes(said: Words) -> tuple[Passage, ...]:
    """Say what it may be, and what would tell."""
    told = (
        ("Causes that remain", said.rivals),
        ("What would tell them apart", said.tells_apart),
        ("What else could explain it", said.doubts),
        ("Last seen to work", said.proven),
    )
    return tuple(Passage(heading=heading, text=text) for heading, text in told if text)


def step_of(each: Happening) -> Step:
    """Say one thing that happened."""
    what = EVENTS[each.event]
    if each.event in (Event.RAISE, Event.RECUR, Event.RISE):
        what = f"{what}, {each.priority.name.lower()}"
    return Step(time_ms=each.time_ms, what=what, by=each.by, comment=each.comment)


def tellings(story: Story, policy: Policy) -> tuple[Telling, ...]:
    """Say who was told by what way, and what came of it."""
    by_sending: dict[str, list[tuple[int, str]]] = {}
    for each in story.tries:
        said = f"{each.outcome}: {each.detail}" if each.detail else each.outcome
        by_sending.setdefault(each.notice_id, []).append((each.time_ms, said))
    return tuple(
        Telling(
            what=HEADS[entry.matter].capitalize(),
            to=_person(entry, policy),
            way=channel_of(entry.destination),
            time_ms=entry.settled_ms or entry.due_ms,
            outcome=outcome_words(entry),
            tries=tuple(by_sending.get(entry.sending_id or "", ())),
        )
        for entry in story.told
    )


def _person(entry: Entry, policy: Policy) -> str:
    key = person_of(entry.destination)
    person = policy.plan.people.get(key) if policy.plan and key else None
    return person.name if person else key or "everybody on it"


def numbers(evidence: Mapping[str, float], say: Say) -> tuple[tuple[str, str], ...]:
    """Write the numbers behind it, in SI: each name carries its unit."""
    return tuple((name, _number(name, value, say)) for name, value in sorted(evidence.items()))


def _number(name: str, value: float, say: Say) -> str:
    if not math.isfinite(value):
        return "not known"
    if name.endswith("_unix_s"):
        return say.full(1000.0 * value) if value > 0.0 else "never"
    if name.endswith("_ms") and value > 1e11:
        return say.full(value)
    return f"{value:,.4g}"
