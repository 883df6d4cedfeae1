"""What the commands about alarms share: naming an alarm, a truck or a kind, and saying when."""

from __future__ import annotations

import re
import sqlite3
from typing import Annotated

import typer

from alerts import ledger
from alerts.hold import Hold, cover
from alerts.ledger import Alarm
from alerts.own.facts import OURSELVES
from alerts.policy import Policy
from alerts.teller import Teller
from alerts.watch import EVERYBODY
from deploy.desk import Desk
from deploy.rules import rules_of
from review.entry_rules import UnknownTruck, known_trucks
from review.kinds import EVERY_KIND, WORDS
from review.problems import Mistake, nearest

NAMED = 8
"""Signs of an alarm's id that a list shows, and that name it."""

Who = Annotated[str | None, typer.Option(help="Who says so. Default: this user.")]
AlarmIds = Annotated[list[str], typer.Argument(help="Alarms, as listed.", metavar="ALARM...")]

_SPAN = re.compile(r"(\d+(?:\.\d+)?)\s*(min|h|d)")
_UNIT_MS = {"min": 60_000, "h": 3_600_000, "d": 86_400_000}


def alarm_of(conn: sqlite3.Connection, name: str) -> Alarm:
    """Find the alarm whose id begins so.

    Raises
    ------
    Mistake
        None does, or several do.
    """
    name = name.lower()
    found: list[Alarm] = []
    if re.fullmatch(r"[0-9a-f]{4,20}", name):
        found = ledger.find(conn, "id >= ? AND id < ?", (name, name + "g"))
    if not found:
        raise Mistake(
            f"no alarm is named {name!r}; 'heatbook alarms list' names those that stand"
        )
    if len(found) > 1:
        raise Mistake(f"{len(found)} alarms begin with {name!r}; write more of it")
    return found[0]


def cover_of(conn: sqlite3.Connection, desk: Desk, alarm: Alarm) -> Hold | None:
    """Give the hold that an alarm is under, if any."""
    return cover(
        conn,
        alarm.vehicle,
        alarm.kind,
        desk.now_ms(),
        priority=alarm.priority,
        rules=policy_of(desk).holds,
    )


def policy_of(desk: Desk) -> Policy:
    """Give by what people are told."""
    return rules_of(desk.settings, desk.plan).policy


def teller_of(desk: Desk) -> Teller:
    """Give how alarms are worded here."""
    names = {name: vehicle.title for name, vehicle in desk.fleet.vehicles.items()}
    return Teller(words=WORDS, units=desk.units, names=names)


def check_truck(conn: sqlite3.Connection, desk: Desk, truck: str) -> None:
    """Refuse a truck that nobody knows; ``*`` is the silence of all, ``@heatbook`` Heatbook itself."""
    known = known_trucks(conn, desk.fleet)
    if truck not in (EVERYBODY, OURSELVES) and truck not in known:
        raise UnknownTruck(truck, known)


def check_kind(kind: str | None) -> None:
    """Refuse a kind of alarm that there is not."""
    if kind is not None and kind not in EVERY_KIND:
        raise Mistake(f"no alarm is of the kind {kind!r}; {nearest(kind, EVERY_KIND, 'kind')}")


def end_of(desk: Desk, text: str | None) -> int | None:
    """Read until when: a span from now such as 8h or 3d, a time, or a date (its noon) [Unix ms]."""
    if text is None:
        return None
    span = _SPAN.fullmatch(text.strip().lower())
    if span is None:
        return desk.moment(text)
    return desk.now_ms() + round(float(span[1]) * _UNIT_MS[span[2]])
