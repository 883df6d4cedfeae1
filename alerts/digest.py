"""What a digest tells of alarms: how they stand, what paged nobody, what is held back, what never arrived."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from alerts import hold, ledger, sending
from alerts.alarm import HELD, Event, step
from alerts.hold import Hold
from alerts.holds import HELD_WORDS
from alerts.ledger import Alarm
from alerts.phrases import ESTIMATED, number_of
from alerts.sending import Sending
from alerts.sheet import Passage
from alerts.teller import Teller

LISTED = 40
"""So many points of a list are written out; of more it says how many there are."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Digest:
    """What there is to tell at a time, and what came since the one before.

    ``late``: found since then in data that came too late, and over: they are told here only.
    ``chattering``: come and go too often to be told each time. ``given_up``: notices that could not be
    delivered since then.
    """

    unacknowledged: tuple[Alarm, ...]
    acknowledged: tuple[Alarm, ...]
    late: tuple[Alarm, ...]
    chattering: tuple[Alarm, ...]
    holds: tuple[Hold, ...]
    given_up: tuple[Sending, ...]


def gather(conn: sqlite3.Connection, *, since_ms: int, now_ms: int) -> Digest:
    """Read what a digest tells of the span from ``since_ms`` to ``now_ms`` [Unix ms]."""
    late = [each for each in ledger.late_since(conn, since_ms) if not each.active]
    standing = [
        each for each in ledger.standing(conn) if each.state not in HELD and each not in late
    ]
    asked = [each for each in standing if _unanswered(each)]
    going = ledger.find(conn, "chattering = 1 AND NOT withdrawn", order="raised_ms, id")
    return Digest(
        unacknowledged=tuple(asked),
        acknowledged=tuple(each for each in standing if each not in asked),
        late=tuple(late),
        # Of one truck and kind the newest stands for all.
        chattering=tuple({(each.vehicle, each.kind): each for each in going}.values()),
        holds=hold.standing(conn, now_ms),
        given_up=tuple(
            each for each in sending.dead_letters(conn) if (each.settled_ms or 0) >= since_ms
        ),
    )


def passages(found: Digest, teller: Teller) -> list[Passage]:
    """Say it; what there is nothing of has no passage."""
    told = (
        ("Not acknowledged", (_asking(each, teller) for each in found.unacknowledged), "do"),
        (
            "Acknowledged, still standing",
            (_known(each, teller) for each in found.acknowledged),
            "",
        ),
        (
            "Found late, so nobody was told at the time",
            (_late(each, teller) for each in found.late),
            "",
        ),
        ("Held back", _held(found, teller), ""),
        ("Notices that could not be delivered", _given_up(found.given_up), "caution"),
    )
    return [
        Passage(heading=heading, points=kept, weight=weight)  # type: ignore[arg-type] # spelled above
        for heading, points, weight in told
        if (kept := shortened(points))
    ]


def counted(found: Digest) -> list[str]:
    """Say in a few words each how much there is of what matters most."""
    said = []
    if asked := len(found.unacknowledged):
        over = sum(not each.active for each in found.unacknowledged)
        said.append(
            f"{number_of(asked, 'alarm')} not acknowledged"
            + (f" ({over} over by now)" if over else "")
        )
    if known := len(found.acknowledged):
        said.append(f"{known} acknowledged and standing")
    if found.late:
        said.append(f"{len(found.late)} found late")
    if found.given_up:
        said.append(f"{number_of(len(found.given_up), 'notice')} not delivered")
    return said


def shortened(points: Iterable[str]) -> tuple[str, ...]:
    """Keep as many points as are read, and say how many more there are."""
    listed = tuple(points)
    rest = len(listed) - LISTED
    if rest <= 1:
        return listed
    return (*listed[:LISTED], f"And {rest} more: 'heatbook alarms' lists them all.")


def _unanswered(alarm: Alarm) -> bool:
    return step(alarm.state, Event.ACKNOWLEDGE).state is not alarm.state


def _asking(alarm: Alarm, teller: Teller) -> str:
    said = teller.say(alarm)
    order = _ended(said.at_once or said.action)
    rest = order if alarm.active else "It is over, but may come back until its cause is found."
    return f"{_head(alarm, teller)}.{_since(alarm, teller)} {rest}"


def _known(alarm: Alarm, teller: Teller) -> str:
    by = alarm.acknowledged_by or "somebody"
    told = f"{_head(alarm, teller)}.{_since(alarm, teller)} Acknowledged by {by}."
    return f"{told} {_ended(alarm.comment)}" if alarm.comment else told


def _late(alarm: Alarm, teller: Teller) -> str:
    span = f"From {teller.brief(alarm.onset_ms)}"
    if alarm.cleared_ms is not None:
        span += f" to {teller.brief(alarm.cleared_ms)}"
    return f"{_head(alarm, teller)}. {span}."


def _held(found: Digest, teller: Teller) -> Iterator[str]:
    for alarm in found.chattering:
        yield f"{_head(alarm, teller)}: comes and goes, so it is not told each time."
    for each in found.holds:
        what = "all alarms" if each.kind is None else each.kind.replace("_", " ")
        until = "" if each.until_ms is None else f" until {teller.brief(each.until_ms)}"
        yield (
            f"{teller.who(each.vehicle)}: {what} {HELD_WORDS[each.state]}{until}, by {each.by}: "
            f"{_ended(each.reason)}"
        )


def _given_up(sendings: Iterable[Sending]) -> Iterator[str]:
    reasons: dict[tuple[str, str], int] = {}
    for each in sendings:
        key = (each.destination, each.last_error)
        reasons[key] = reasons.get(key, 0) + 1
    for (destination, reason), count in reasons.items():
        yield f"{number_of(count, 'notice')} to {destination}: {_ended(reason)}"


def _since(alarm: Alarm, teller: Teller) -> str:
    """Say since when; a service says so itself."""
    return "" if alarm.kind in ESTIMATED else f" Since {teller.brief(alarm.onset_ms)}."


def _head(alarm: Alarm, teller: Teller) -> str:
    return f"{alarm.priority.name} {teller.who(alarm.vehicle)}: {teller.say(alarm).title}"


def _ended(sentence: str) -> str:
    return f"{sentence.rstrip('.')}."
