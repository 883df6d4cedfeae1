"""What became of the alarms of a form, where some are no longer as they stood on somebody's page."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from starlette.responses import Response

from alerts import ledger
from alerts.answer import Answered, Verdict
from alerts.ledger import Alarm
from models.transition import Priority
from review.alarm_acts import Seen
from review.alarm_list import Row, cover_of
from review.console.alarm_card import Card, card_of
from review.console.done import back_to
from review.console.visit import Visit


@dataclass(frozen=True, slots=True, kw_only=True)
class Fate:
    """What came of one alarm of a form: ``done`` where it is as was asked."""

    card: Card
    said: str
    done: bool


def changed(visit: Visit, fates: Iterable[Fate]) -> Response:
    """Answer with what became of each alarm of a form where not all is as was asked."""
    fates = tuple(fates)
    done = sum(fate.done for fate in fates)
    return visit.page(
        "alarms_changed.html",
        title="Something changed meanwhile",
        status=409,
        fates=fates,
        done=done,
        back=back_to(visit, "/alarms"),
    )


def fates_of(visit: Visit, seen: Sequence[Seen], found: Sequence[Answered]) -> list[Fate]:
    """Say what became of each alarm that somebody meant to acknowledge."""
    shown = {each.alarm_id: each.priority for each in seen}
    return [
        Fate(
            card=card_now(visit, each.alarm),
            said=_said(each.verdict, each.alarm, visit, shown.get(each.alarm.id)),
            done=_as_asked(each, visit.visitor.name),
        )
        for each in found
        if each.alarm is not None
    ]


def _as_asked(each: Answered, by: str) -> bool:
    """Say whether it is as was asked: by this form, or by the same one sent before."""
    if each.verdict is Verdict.DONE:
        return True
    known = each.alarm is not None and each.alarm.acknowledged_by == by
    return known and each.verdict in (Verdict.ALREADY, Verdict.OVER)


def _said(verdict: Verdict, alarm: Alarm, visit: Visit, was: Priority | None) -> str:
    if verdict is Verdict.DONE:
        return "Acknowledged."
    if verdict is Verdict.ALREADY:
        when = visit.say.moment(alarm.acknowledged_ms)
        by = alarm.acknowledged_by or "Somebody"
        return f"{by} acknowledged it before you, {when}. Nothing is left to do here."
    if verdict is Verdict.WORSE and was is not None:
        return (
            f"Not acknowledged: it was {was.name.lower()} on your page and is {alarm.priority.name.lower()} "
            "now. Look at it again."
        )
    if verdict is Verdict.OVER and alarm.cleared_ms is not None:
        return f"It is over since {visit.say.moment(alarm.cleared_ms)}: nothing is left to acknowledge."
    return _SAID[verdict]


_SAID: Mapping[Verdict, str] = {
    Verdict.OPEN: "Not acknowledged yet.",
    Verdict.OVER: "It is over: nothing is left to acknowledge.",
    Verdict.HELD: "Somebody holds it back on purpose since: there is nothing to acknowledge.",
    Verdict.CAME_AGAIN: (
        "Not acknowledged: it went and came again since your page was loaded. Look at it again."
    ),
    Verdict.WORSE: "Not acknowledged: it became worse since your page was loaded. Look at it again.",
    Verdict.WITHDRAWN: "It was withdrawn: data that came later show that it was not so.",
}


def card_now(visit: Visit, alarm: Alarm) -> Card:
    """Write an alarm as it stands now."""
    house = visit.house
    with house.store.read() as conn:
        now = ledger.get(conn, alarm.id) or alarm
        cover = cover_of(conn, now, now_ms=house.now_ms(), rules=house.policy.holds)
    return card_of(Row(alarm=now, cover=cover), visit.teller, visit.say)
