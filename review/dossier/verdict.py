"""The answer in two sentences: what failed first, how sure; what it did to the fluid, who knew when."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from alerts.alarm import Event
from alerts.destination import channel_of, person_of
from review.circuit_standing import NEEDED, SUSPECT_FROM
from review.dossier.cause_words import (
    KINDS,
    OF_THE_COLD,
    OF_THE_SENSOR,
    cause_name,
    first_cause,
    grew,
)
from review.dossier.facts import AlarmStory, Departure, Dossier, Episode, Excursion
from review.dossier.pen import Pen, likely

WITHOUT = frozenset({"service_due", "gateway_silent"})
"""Kinds of alarms that say nothing of heat or circuit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """A headline, the answer in sentences, and what to mind about it."""

    headline: str
    first: str
    then: str
    remarks: tuple[str, ...]


def verdict(found: Dossier, pen: Pen) -> Verdict:
    """Give the answer."""
    if found.departure is not None:
        return _of_a_fault(found, found.departure, pen)
    if len(found.readings.time_ms) == 0:
        return Verdict(
            headline="The fluid's temperature was never sent",
            first="What came first cannot be said: no sample of this span holds the fluid's temperature.",
            then=f"{_known(found, pen)}.",
            remarks=(),
        )
    if not found.judged:
        return _of_no_judgement(found, pen)
    return _of_health(found, pen)


def _of_a_fault(found: Dossier, left: Departure, pen: Pen) -> Verdict:
    name = first_cause(found)
    sure = likely(_surest(found, left))
    first = (
        f"First to go, as far as the data tell, was {name} ({sure} by the evidence): the truck left its "
        f"own healthy behaviour at {pen.moment(left.left_ms)}{_before_the_heat(found, left, pen)}."
    )
    told = (
        grew(found, left),
        _bracket(left, pen),
        _again(left, pen),
        _before(found, left, pen),
    )
    remarks = [text for text in told if text]
    if left.last_cause in OF_THE_SENSOR:
        remarks.insert(0, "From then on all temperatures of this truck are in doubt.")
    return Verdict(
        headline=_headline(found, left),
        first=first,
        then=f"{_harm(found, left, pen)}; {_known(found, pen)}.",
        remarks=tuple(remarks),
    )


def _headline(found: Dossier, left: Departure) -> str:
    name = first_cause(found) if left.cause < 0 else cause_name(found, left.last_cause)
    return name[:1].upper() + name[1:]


def _before_the_heat(found: Dossier, left: Departure, pen: Pen) -> str:
    later = [each.start_ms for each in found.excursions if each.start_ms >= left.left_ms]
    if not later:
        return ""
    return f", {pen.lasting((min(later) - left.left_ms) / 1000.0)} before the fluid next passed its limit"


def _bracket(left: Departure, pen: Pen) -> str:
    parts = []
    if left.proven_ms:
        parts.append(f"flow through the cooler was last proven at {pen.moment(left.proven_ms)}")
    if left.trusted_ms:
        parts.append(
            f"the truck was last within what is healthy for it at {pen.moment(left.trusted_ms)}"
        )
    if left.doubted_ms < left.told_ms:
        parts.append(
            f"a fault had been likelier than not since {pen.moment(left.doubted_ms)}, too little to be told"
        )
    passed = f"the evidence passed what the rate of false alarms allows at {pen.moment(left.told_ms)}"
    before = f"{', '.join(parts)}, and " if parts else ""
    return f"How sure the moment is: {before}{passed}."


def _surest(found: Dossier, left: Departure) -> float:
    """Give how sure the cause is: by the balance of heat, or by the alarm's own evidence."""
    if left.cause >= 0:
        return left.at_last[left.last_cause]
    told = [each.alarm.probability for each in found.alarms if each.alarm.kind == left.alarm]
    return max(told, default=left.peak)


def _before(found: Dossier, left: Departure, pen: Pen) -> str:
    """Say that it had left its healthy behaviour before, or did again, and came back."""
    others = [
        f"{KINDS.get(each.alarm, each.alarm.replace('_', ' '))}, {_span(each, pen)}"
        for each in found.episodes
        if each.told_ms != left.told_ms
    ]
    return f"It left it at other times too: {'; '.join(others)}." if others else ""


def _span(each: Episode, pen: Pen) -> str:
    if each.ended_ms is None:
        return f"from {pen.day(each.onset_ms)} on"
    return f"from {pen.day(each.onset_ms)} to {pen.day(each.ended_ms)}"


def _again(left: Departure, pen: Pen) -> str:
    if left.ended_ms is None:
        return "It had not come back to its healthy behaviour by the end."
    if left.worked_on:
        return (
            f"By the record the circuit was worked on at {pen.moment(left.ended_ms)}; it is judged anew "
            "since."
        )
    return f"It was back in its healthy behaviour by {pen.moment(left.ended_ms)}."


def _harm(found: Dossier, left: Departure, pen: Pen) -> str:
    after = [each for each in found.excursions if each.end_ms >= left.left_ms]
    if after and left.last_cause not in OF_THE_SENSOR:
        return _heat(found, after, pen)
    if left.last_cause in OF_THE_COLD:
        return "The fluid stayed too cold, which costs fuel and wear, and heat did it no harm"
    if left.last_cause in OF_THE_SENSOR:
        return "What the fluid went through after that is not known"
    return f"The fluid never passed its limit of {pen.degrees(found.limits.limit_c)} after that"


def _heat(found: Dossier, after: Sequence[Excursion], pen: Pen) -> str:
    hottest = max(after, key=lambda each: each.peak_c)
    healthy = ""
    if math.isfinite(hottest.healthy_peak_c):
        healthy = f" where a healthy circuit would have shown about {pen.degrees(hottest.healthy_peak_c)}"
    above_s = sum(each.above_s for each in after)
    life = sum(each.life for each in after)
    times = "once" if len(after) == 1 else f"{len(after)} times"
    return (
        f"The fluid then reached {pen.degrees(hottest.peak_c)}{healthy}, was above its limit of "
        f"{pen.degrees(found.limits.limit_c)} {times} for {pen.lasting(above_s)} in all and used "
        f"{pen.life(life)} of its life in that"
    )


def _of_no_judgement(found: Dossier, pen: Pen) -> Verdict:
    missing = [
        name for name in found.unknown.absent if name in {each for each, _ in NEEDED.values()}
    ]
    why = f" ({', '.join(missing)} never sent)" if missing else ""
    heat = "the fluid never passed its limit" if not found.excursions else _hot(found, pen)
    return Verdict(
        headline="The cooling circuit could not be judged",
        first=f"What came first cannot be said: no drive let the cooling circuit be judged{why}.",
        then=f"{heat[:1].upper()}{heat[1:]}; {_known(found, pen)}.",
        remarks=(),
    )


def _of_health(found: Dossier, pen: Pen) -> Verdict:
    if found.doubt >= SUSPECT_FROM:
        return _of_doubt(found, pen)
    if not found.excursions:
        hottest = max(found.account.hottest_c, float(found.readings.fluid_c.max()))
        return Verdict(
            headline="Nothing left its healthy behaviour",
            first=(
                "Nothing left this truck's healthy behaviour as far as the data tell, and the fluid never "
                f"passed its limit of {pen.degrees(found.limits.limit_c)}."
            ),
            then=f"Its hottest was {pen.degrees(hottest)}; {_known(found, pen)}.",
            remarks=(),
        )
    told = [each.p_fault for each in found.excursions if math.isfinite(each.p_fault)]
    if not told:
        return _of_no_judgement(found, pen)
    return Verdict(
        headline="Overloaded, with a sound cooling circuit",
        first=(
            "Nothing left this truck's healthy behaviour: while the fluid was above its limit the cooling "
            f"circuit carried its share (a fault was never likelier than {likely(max(told))}), so the heat "
            "was load, not a fault."
        ),
        then=f"{_hot(found, pen)}{_load(found)}; {_known(found, pen)}.",
        remarks=(),
    )


def _of_doubt(found: Dossier, pen: Pen) -> Verdict:
    """Say that something cannot be ruled out, though it never was sure enough to be told."""
    name = cause_name(found, found.doubted)
    heat = _hot(found, pen) if found.excursions else "The fluid never passed its limit"
    return Verdict(
        headline="No fault was sure, and one cannot be ruled out",
        first=(
            "Nothing was sure to have left this truck's healthy behaviour: at the end a fault was "
            f"{likely(found.doubt)} likely ({name}), too little to be told."
        ),
        then=f"{heat}; {_known(found, pen)}.",
        remarks=(),
    )


def _hot(found: Dossier, pen: Pen) -> str:
    hottest = max(found.excursions, key=lambda each: each.peak_c)
    above_s = sum(each.above_s for each in found.excursions)
    life = sum(each.life for each in found.excursions)
    times = "once" if len(found.excursions) == 1 else f"{len(found.excursions)} times"
    return (
        f"The fluid was above its limit of {pen.degrees(found.limits.limit_c)} {times} for "
        f"{pen.lasting(above_s)} in all, reached {pen.degrees(hottest.peak_c)} at "
        f"{pen.moment(hottest.peak_ms)} and used {pen.life(life)} of its life in that"
    )


def _load(found: Dossier) -> str:
    worst = found.excursions[0]
    usual = found.duty.usual_kw
    if not (math.isfinite(worst.heat_kw) and usual > 0.0):
        return ""
    return (
        f", with about {worst.heat_kw:.0f} kW of heat going in, {worst.heat_kw / usual:.1f} times what is "
        "usual for it"
    )


def _known(found: Dossier, pen: Pen) -> str:
    """Say who knew when, of the alarms of heat and circuit from the first departure on."""
    since_ms = found.span.first_ms if found.departure is None else found.departure.left_ms
    told = [
        each
        for each in found.alarms
        if each.alarm.kind not in WITHOUT
        and (each.alarm.onset_ms >= since_ms or each.alarm.cleared_ms is None)
    ]
    if not told:
        return "no alarm was raised"
    first = min(told, key=lambda each: each.alarm.first_seen_ms)
    raised = f"the first alarm was raised at {pen.moment(first.alarm.raised_ms)}"
    if first.alarm.late:
        raised += (
            f" by the truck's clock, and known only at {pen.moment(first.alarm.first_seen_ms)}"
        )
    return f"{raised}, {_reached(told, pen)}, and {_answered(told, pen)}"


def _reached(told: Sequence[AlarmStory], pen: Pen) -> str:
    reached = sorted(
        (each.time_ms, each.destination)
        for story in told
        for each in story.tries
        if each.outcome == "delivered"
    )
    if not reached:
        return "no notice of it reached anybody"
    time_ms, destination = reached[0]
    who = person_of(destination) or channel_of(destination)
    return f"a notice reached {who} at {pen.moment(time_ms)}"


def _answered(told: Sequence[AlarmStory], pen: Pen) -> str:
    answers = sorted(
        (each.time_ms, each.by)
        for story in told
        for each in story.happenings
        if each.event is Event.ACKNOWLEDGE
    )
    if not answers:
        return "nobody acknowledged before the end"
    time_ms, by = answers[0]
    return f"{by or 'somebody'} acknowledged at {pen.moment(time_ms)}"
