"""What the pages of an answer say: pure, from alarms to pages."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from alerts.alarm import State
from alerts.answer import Answered, Verdict
from alerts.console_form import CAUTIONS, DRIVER, SHOP, TRUST, Line, lines
from alerts.ledger import Alarm
from alerts.palette import band_of
from alerts.phrases import number_of
from alerts.teller import Teller
from models.transition import Priority
from review.web.pages import AnswerPage, AnswerRow, AnswersPage, Dangers, Form, Message, Page

USE = (
    "This tells the others that somebody knows, and ends the reminders. It mends nothing: the alarm "
    "stands until its condition is over."
)

STATES: Mapping[State, str] = {
    State.NORMAL: "back to normal",
    State.UNACKNOWLEDGED: "alarm",
    State.ACKNOWLEDGED: "alarm, acknowledged",
    State.RETURNED: "over, nobody has acknowledged",
    State.LATCHED: "over, to be looked at",
    State.LATCHED_ACKNOWLEDGED: "over, acknowledged, to be looked at",
    State.SHELVED: "shelved",
    State.SUPPRESSED: "suppressed by design",
    State.OUT_OF_SERVICE: "out of service",
}


def one(answered: Answered, teller: Teller, *, ask_name: bool) -> Page:
    """Write the page of one alarm."""
    alarm = answered.alarm
    if alarm is None:
        return unknown()
    said = teller.say(alarm)
    told = lines(alarm, said, teller.units.zone)
    shop = next(nth for nth, line in enumerate(told) if line.about in (SHOP, TRUST))
    form = _form([alarm], "I have seen this", ask_name) if _asks(answered) else None
    return AnswerPage(
        title=said.title,
        who=teller.who(alarm.vehicle),
        state=_state(alarm),
        band=band_of(alarm.priority, urgent=alarm.active),
        verdict=_verdict(answered, teller),
        warn=answered.verdict in _WARNED,
        form=form,
        first=tuple(_headed(line) for line in told if line.about == "Do now"),
        driver=_dangers(told, DRIVER),
        seen=_plain(told[:shop]),
        shop=_dangers(told, SHOP, TRUST),
        rest=_plain(told[shop:]),
    )


def several(found: Sequence[Answered], teller: Teller, *, ask_name: bool) -> Page:
    """Write the page of all alarms that one notice told of."""
    alarms = sorted(
        ((each.alarm, each) for each in found if each.alarm is not None),
        key=lambda pair: (-pair[0].priority, pair[0].vehicle, pair[0].id),
    )
    if not alarms:
        return unknown()
    asked = [alarm for alarm, answered in alarms if _asks(answered)]
    standing = [alarm for alarm, _ in alarms if alarm.active]
    most = max((alarm.priority for alarm in standing), default=Priority.LOW)
    button = f"I have seen all {len(asked)}" if len(asked) > 1 else "I have seen this"
    return AnswersPage(
        title=number_of(len(alarms), "alarm"),
        state=f"{len(standing)} of {len(alarms)} stand",
        band=band_of(most, urgent=bool(standing)),
        verdict=_tally(found),
        warn=any(answered.verdict in _WARNED for answered in found),
        form=_form(asked, button, ask_name) if asked else None,
        rows=tuple(_row(alarm, answered, teller) for alarm, answered in alarms),
    )


def unknown() -> Message:
    """Say that the store has nothing to this link."""
    return Message(
        title="No such alarm",
        lines=(
            "The link is sound, but the store knows no alarm to it.",
            "It may have been put back to an older backup since. Ask whoever runs Heatbook.",
        ),
    )


def _plain(told: Sequence[Line]) -> tuple[Line, ...]:
    return tuple(
        _headed(line) for line in told if line.about not in {"Do now", "Alarm", *CAUTIONS}
    )


def _headed(line: Line) -> Line:
    """Give a line the heading that mails give it: a page has room for it."""
    return replace(line, about=_HEADINGS.get(line.about, line.about))


_HEADINGS: Mapping[str, str] = {
    "Do now": "What to do now",
    "Seen": "What was seen",
    "If healthy": "What a healthy truck would have shown",
    "Causes left": "Causes that remain",
    "Or else": "What else could explain it",
    "What tells": "What would tell",
    "Last worked": "Last seen to work",
}


def _dangers(told: Sequence[Line], *abouts: str) -> tuple[Dangers, ...]:
    found = (
        (about, tuple(each.text for each in told if each.about == about)) for about in abouts
    )
    return tuple(Dangers(heading=_WHOM[about], lines=lines) for about, lines in found if lines)


_WHOM = {
    DRIVER: "Cautions for whoever drives",
    SHOP: "Cautions for whoever works on it",
    TRUST: "How far to trust it",
}

_WARNED = (Verdict.WORSE, Verdict.CAME_AGAIN)


def _asks(answered: Answered) -> bool:
    return answered.verdict in (Verdict.OPEN, Verdict.WORSE)


def _form(alarms: Sequence[Alarm], button: str, ask_name: bool) -> Form:
    seen = " ".join(f"{alarm.id}:{int(alarm.priority)}" for alarm in alarms)
    return Form(seen=seen, button=button, use=USE, ask_name=ask_name)


def _state(alarm: Alarm) -> str:
    return f"{STATES[alarm.state]}, {alarm.priority.name}"


def _verdict(answered: Answered, teller: Teller) -> tuple[str, ...]:
    alarm = answered.alarm
    if alarm is None:
        return ()
    match answered.verdict:
        case Verdict.OPEN if alarm.active:
            return ("Nobody has acknowledged this yet.",)
        case Verdict.OPEN:
            return ("The condition is over, but nobody has acknowledged the alarm yet.",)
        case Verdict.DONE:
            return ("Thank you. It is written down:", *_known(alarm, teller))
        case Verdict.ALREADY:
            return _known(alarm, teller)
        case Verdict.OVER:
            return (_over(alarm, teller), *_known(alarm, teller))
        case verdict:
            return (_PLAIN[verdict],)


_PLAIN: Mapping[Verdict, str] = {
    Verdict.HELD: "This alarm is held back on purpose just now, so there is nothing to acknowledge.",
    Verdict.CAME_AGAIN: (
        "This alarm has come again since your notice was sent, so this link no longer answers it. "
        "Use the link of the newest notice."
    ),
    Verdict.WORSE: (
        "Not acknowledged: it has become worse since you opened this page. Look at it again."
    ),
    Verdict.WITHDRAWN: (
        "This alarm was withdrawn: data that came later show otherwise. There is nothing to acknowledge."
    ),
}


def _known(alarm: Alarm, teller: Teller) -> tuple[str, ...]:
    """Say who acknowledged, and with what comment; nothing where nobody did."""
    if alarm.acknowledged_ms is None:
        return ()
    by = alarm.acknowledged_by or "somebody"
    told = f"Acknowledged by {by}, {teller.moment(alarm.acknowledged_ms)}."
    return (told, f"Comment: {alarm.comment}") if alarm.comment else (told,)


def _over(alarm: Alarm, teller: Teller) -> str:
    if alarm.cleared_ms is None:
        return "It is over: nothing is left to acknowledge."
    return (
        f"It is over since {teller.moment(alarm.cleared_ms)}: nothing is left to acknowledge."
    )


_ROW: Mapping[Verdict, str] = {
    Verdict.OPEN: "Not acknowledged yet.",
    Verdict.OVER: "It is over.",
    Verdict.HELD: "Held back on purpose.",
    Verdict.CAME_AGAIN: "It has come again since: see the newest notice.",
    Verdict.WORSE: "Not acknowledged: worse than when you opened this page.",
    Verdict.WITHDRAWN: "Withdrawn.",
}


def _row(alarm: Alarm, answered: Answered, teller: Teller) -> AnswerRow:
    said = teller.say(alarm)
    known = answered.verdict in (Verdict.DONE, Verdict.ALREADY)
    told = " ".join(_known(alarm, teller)) if known else _ROW[answered.verdict]
    return AnswerRow(
        who=teller.who(alarm.vehicle),
        title=said.title,
        priority=alarm.priority.name if alarm.active else f"was {alarm.priority.name}",
        band=band_of(alarm.priority, urgent=alarm.active),
        since=f"Since {teller.moment(alarm.onset_ms)}.",
        verdict=told,
    )


def _tally(found: Sequence[Answered]) -> tuple[str, ...]:
    counts = dict.fromkeys(Verdict, 0)
    for each in found:
        counts[each.verdict] += 1
    told = (
        (Verdict.DONE, "Thank you. {} are written down as acknowledged."),
        (Verdict.WORSE, "{} became worse since you opened this page: look again."),
        (Verdict.OPEN, "{} are not acknowledged yet."),
        (Verdict.ALREADY, "{} were acknowledged already."),
    )
    said = tuple(text.format(counts[verdict]) for verdict, text in told if counts[verdict])
    return said or ("Nothing is left to acknowledge.",)
