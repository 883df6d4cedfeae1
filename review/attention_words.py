"""Why a truck needs somebody, in plain words: what it is, what was seen, what to do now, who knows. Pure."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from alerts.alarm import LATCHED, State
from alerts.ledger import Alarm
from alerts.teller import Teller
from models import circuit_words
from models.cautions import HOT_FLUID, OWN_GAUGE, SHOP_ONLY, WIRING, WORK_IN_SHORT
from models.due_words import words_of
from models.silence_words import words as silence_words
from models.words import Words
from review.attention import Need, Reason
from review.board_row import TruckLive

NOBODY = "Nobody has acknowledged it yet"
LOOK_FIRST = "it stays here until somebody has looked at the truck"
_AFTER = {
    True: (
        "Have the truck and its fluid looked at before the next tow; then say on the alarm's own page that "
        "it was looked at."
    ),
    False: "Nothing at once. Ask how it came to it, and acknowledge that you know.",
}
"""What to do about what is over, by whether it waits for a look."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NeedWords:
    """What is said of one need.

    ``known``: who has acknowledged it, empty where that is not asked; ``cautions`` to whoever does something
    about it.
    """

    title: str
    why: str
    do: str
    known: str = ""
    cautions: tuple[str, ...] = ()


def said(need: Need, truck: TruckLive, teller: Teller, now_ms: int) -> NeedWords:
    """Say a need to a person."""
    if need.alarm is not None:
        return of_alarm(need.alarm, teller)
    return _SAID[need.reason](truck, teller, now_ms)


def of_alarm(alarm: Alarm, teller: Teller) -> NeedWords:
    """Say a standing alarm."""
    told = teller.say(alarm)
    parts = (told.observed, told.expected if alarm.active else "")
    return NeedWords(
        title=told.title,
        why=" ".join(part for part in parts if part),
        do=told.action if alarm.active else _AFTER[alarm.state in LATCHED],
        known=_known(alarm, teller),
        cautions=_cautions(alarm, told),
    )


def _cautions(alarm: Alarm, told: Words) -> tuple[str, ...]:
    """Give the dangers of what is to be done; of what is over, those to whoever looks at the truck."""
    if alarm.active:
        return told.cautions
    return told.technician if alarm.state in LATCHED else ()


def _known(alarm: Alarm, teller: Teller) -> str:
    if alarm.state is State.LATCHED:
        return f"{NOBODY}. It is over, but {LOOK_FIRST}"
    if alarm.state is State.RETURNED:
        return f"{NOBODY}. It is over"
    if alarm.acknowledged_by and alarm.state in (
        State.ACKNOWLEDGED,
        State.LATCHED_ACKNOWLEDGED,
    ):
        when = teller.brief(alarm.acknowledged_ms or alarm.raised_ms)
        note = f": “{alarm.comment.rstrip('.')}”" if alarm.comment else ""
        over = f". It is over, but {LOOK_FIRST}" if not alarm.active else ""
        return f"{alarm.acknowledged_by} knows, since {when}{note}{over}"
    return NOBODY


def _unreadable(truck: TruckLive, teller: Teller, now_ms: int) -> NeedWords:
    del teller, now_ms
    return NeedWords(
        title="Its data could not be read",
        why=truck.trouble,
        do=f"Nobody watches it on these pages until that is mended; the log says more. {OWN_GAUGE}",
    )


def _out_of_date(truck: TruckLive, teller: Teller, now_ms: int) -> NeedWords:
    del truck, teller, now_ms
    return NeedWords(
        title="Its account is from before a change of settings",
        why="Settings, fleet file or models have changed since it was last computed.",
        do="Start the daemon again: it computes the account anew.",
    )


def _overdue(truck: TruckLive, teller: Teller, now_ms: int) -> NeedWords:
    del now_ms
    words = "" if truck.due is None else words_of(truck.due, teller.units)
    return NeedWords(
        title="Service overdue",
        why=f"{words}.",
        do="Plan the service; what is done is entered here, and the account counts on from it.",
        cautions=(WORK_IN_SHORT,),
    )


def _silent(truck: TruckLive, teller: Teller, now_ms: int) -> NeedWords:
    quiet = {"quiet_minutes": (now_ms - (truck.last_ms or now_ms)) / 60_000.0}
    told = silence_words(quiet, teller.units)
    return NeedWords(
        title=told.title, why=told.observed, do=told.action, cautions=told.cautions
    )


def _sensor(truck: TruckLive, teller: Teller, now_ms: int) -> NeedWords:
    del teller, now_ms
    share = truck.circuit_standing.causes.get("sensor", 0.0) if truck.circuit_standing else 0.0
    return NeedWords(
        title="Fluid temperature sensor in doubt",
        why=(
            f"What it shows does not fit the rest ({circuit_words.likely(share)} likely that it is "
            "off); it is not sure enough for an alarm."
        ),
        do="Have sensor, plug and wiring looked at when the truck is next in the shop.",
        cautions=(HOT_FLUID, WIRING, SHOP_ONLY),
    )


def _suspect(truck: TruckLive, teller: Teller, now_ms: int) -> NeedWords:
    del teller, now_ms
    found = truck.circuit_standing
    evidence: Mapping[str, float] = {} if found is None else found.evidence
    return NeedWords(
        title="Cooling circuit: a fault is possible",
        why=f"Not sure enough for an alarm. {circuit_words.rivals(evidence)}",
        do=circuit_words.tells_apart(evidence) or "Watch it over the next loaded drive.",
        cautions=(WORK_IN_SHORT,),
    )


_SAID: Mapping[Reason, Callable[[TruckLive, Teller, int], NeedWords]] = {
    Reason.UNREADABLE: _unreadable,
    Reason.OUT_OF_DATE: _out_of_date,
    Reason.OVERDUE: _overdue,
    Reason.SILENT: _silent,
    Reason.SENSOR: _sensor,
    Reason.SUSPECT: _suspect,
}
