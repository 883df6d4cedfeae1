"""``/system``: how Heatbook does: what comes, what was refused, what waits, how alarms serve people."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

from starlette.responses import Response
from starlette.routing import BaseRoute

from alerts import ledger, sending
from alerts.figure_lines import Line, lines, span
from alerts.figure_reader import figures_of
from alerts.figures import DAY_MS, Figures
from alerts.own.facts import OURSELVES
from alerts.phrases import size_words
from review.access import accounts, sessions
from review.access.audit import Deed
from review.access.visitor import Role
from review.attention_words import of_alarm
from review.console.house import House
from review.console.me import device
from review.console.say import Say
from review.console.visit import Visit, route
from review.figure_bars import Bar, load_bars, priority_bars
from review.system_facts import system_facts

SYSTEM = "/system"

DAYS = {"7": "a week", "28": "four weeks", "91": "a quarter", "365": "a year"}
USUAL_DAYS = "28"


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """The figures of the alarms: as they are, as bars, as lines."""

    figures: Figures
    bars: Sequence[Bar]
    shares: Sequence[Bar]
    lines: Sequence[Line]


def routes(house: House) -> Sequence[BaseRoute]:
    """Give the routes."""
    least = Role.TECHNICIAN
    return (
        route(house, SYSTEM, _look, least=least),
        route(house, f"{SYSTEM}/notices/again", _again, least=least, methods=("POST",)),
        route(house, f"{SYSTEM}/notices/seen", _seen, least=least, methods=("POST",)),
    )


def _look(visit: Visit) -> Response:
    house = visit.house
    days = visit.request.query_params.get("days", USUAL_DAYS)
    days = days if days in DAYS else USUAL_DAYS
    until_ms = house.now_ms()
    with house.store.read() as conn:
        facts = system_facts(conn)
        own = [each for each in ledger.standing(conn) if each.vehicle == OURSELVES]
        found = figures_of(conn, since_ms=until_ms - int(days) * DAY_MS, until_ms=until_ms)
    return visit.page(
        "system.html",
        title="System",
        facts=facts,
        own=own,
        tell=partial(of_alarm, teller=visit.teller),
        span=span,
        fleet=fleet_words(house),
        signed_in=_signed_in(visit),
        clock=Say(visit.visitor.units, house.gate.now_ms()),
        sizes=house.installation.sizes(),
        where=house.installation,
        size=size_words,
        version=house.reader.version,
        days=days,
        choices=DAYS,
        drawn=Drawn(
            figures=found,
            bars=load_bars(found),
            shares=priority_bars(found),
            lines=lines(found),
        ),
        told=_DONE.get(visit.request.query_params.get("done", ""), ""),
    )


def fleet_words(house: House) -> dict[str, list[str]]:
    """Name the trucks of which something is wrong with what comes from them; by what is wrong."""
    fleet = house.board.now()
    found: dict[str, list[str]] = {}
    for name, truck in fleet.trucks.items():
        if any(each.kind == "gateway_silent" and each.active for each in truck.alarms):
            found.setdefault("silent", []).append(name)
        if truck.standing != "good":
            found.setdefault(truck.standing, []).append(name)
        if truck.missing_samples:
            found.setdefault("with samples missing", []).append(name)
        if truck.trouble:
            found.setdefault("that cannot be read", []).append(name)
    return found


def _signed_in(visit: Visit) -> list[tuple[str, str, int]]:
    """Name who is signed in, with what, and when they last did something [Unix ms]."""
    gate = visit.house.gate
    with visit.house.store.read() as conn:
        names = {each.id: each.name for each in accounts.listed(conn) if not each.disabled_ms}
        found = sessions.listed(conn, gate.now_ms(), gate.rules)
    return [
        (names[each.account_id], device(each.browser), each.used_ms)
        for each in found
        if each.account_id in names
    ]


def _again(visit: Visit) -> Response:
    which = visit.form.get("which", "")
    now_ms = visit.house.now_ms()
    with visit.house.store.write() as tx:
        if which == "all":
            count = sending.resend_all(tx, None, now_ms)
        else:
            count = int(sending.resend(tx, which, now_ms))
        if count:
            visit.audit(tx, Deed.NOTICE_SENT_AGAIN, f"{count}, {which[:40]}")
    return visit.go(f"{SYSTEM}?done={'again' if count else 'untrue'}")


def _seen(visit: Visit) -> Response:
    which = visit.form.get("which", "")
    with visit.house.store.write() as tx:
        rested = sending.put_to_rest(tx, which, visit.visitor.name)
        if rested:
            visit.audit(tx, Deed.NOTICE_PUT_TO_REST, which[:40])
    return visit.go(f"{SYSTEM}?done={'seen' if rested else 'gone'}")


_DONE = {
    "again": "It will be sent again within seconds; below stands what still waits.",
    "untrue": "Not sent again: all its alarms were withdrawn since, so it would tell what is not so.",
    "seen": "Off the list. It stays in the log of notices.",
    "gone": "It was not on the list any more.",
    "dropped": "Thrown away for good.",
    "reingested": "It waits for the daemon, which takes it in within a second. What is still bad comes back.",
}
