"""``/alarms``: what stands, most urgent first; what is held back; what has been."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from starlette.responses import Response
from starlette.routing import BaseRoute

from alerts import hold
from alerts.alarm import HELD, State
from alerts.hold import Hold
from alerts.holds import HELD_WORDS
from alerts.ledger import Alarm
from alerts.phrases import number_of
from models.transition import Priority
from review.alarm_list import Mark, Row, Wanted, past_alarms, standing_alarms
from review.alarm_words import STANDARD
from review.console.alarm_card import Card, card_of, cards_of, held_by, may_release
from review.console.done import done_words
from review.console.house import House
from review.console.visit import Visit, route
from review.entry_rules import known_trucks
from review.kinds import EVERY_KIND

STATES = (*(state for state in State if state is not State.NORMAL),)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shelf:
    """One hold with the alarms that are under it."""

    hold: Hold
    who: str
    what: str
    said: str
    kind: str
    cards: tuple[Card, ...]
    may_release: bool


def routes(house: House) -> Sequence[BaseRoute]:
    """Give the routes of the lists."""
    return (route(house, "/alarms", _standing), route(house, "/alarms/past", _past))


def kind_words(kind: str) -> str:
    """Name a kind of alarm for a person."""
    return kind.replace("_", " ")


def _standing(visit: Visit) -> Response:
    house, wanted = visit.house, wanted_of(visit.request.query_params)
    now_ms = house.now_ms()
    with house.store.read() as conn:
        rows = standing_alarms(conn, wanted, now_ms=now_ms, rules=house.policy.holds)
        holds = hold.standing(conn, now_ms)
        trucks = sorted(known_trucks(conn, house.reader.fleet))
    free = [row for row in rows if row.alarm.state not in HELD]
    return visit.page(
        "alarms.html",
        title="Alarms",
        cards=cards_of(free, visit.teller, visit.say),
        headline=headline([row.alarm for row in free], wanted),
        shelves=_shelves(visit, holds, rows, wanted),
        done=done_words(visit),
        **_asked(wanted, trucks),
    )


def headline(alarms: Sequence[Alarm], wanted: Wanted) -> str:
    """Say how many stand, and how many are over and wait for somebody."""
    stand = sum(alarm.active for alarm in alarms)
    over = len(alarms) - stand
    waits = f"{over} {'is' if over == 1 else 'are'} over and {'waits' if over == 1 else 'wait'}"
    if stand:
        said = f"{number_of(stand, 'alarm stands', 'alarms stand')}, the most urgent first"
        return f"{said}; {waits} for somebody" if over else said
    if over:
        return f"No alarm stands; {waits} for somebody"
    return "No alarm stands" if wanted.all else "None of these stands"


def _past(visit: Visit) -> Response:
    house, wanted = visit.house, wanted_of(visit.request.query_params)
    after = Mark.of(visit.request.query_params.get("after", ""))
    with house.store.read() as conn:
        found = past_alarms(conn, wanted, after=after)
        trucks = sorted(known_trucks(conn, house.reader.fleet))
    rows = [Row(alarm=alarm, cover=None) for alarm in found.alarms]
    query = {**query_of(wanted), "after": str(found.next)}
    return visit.page(
        "alarms_past.html",
        title="Past alarms",
        cards=[card_of(row, visit.teller, visit.say) for row in rows],
        more=f"/alarms/past?{urlencode(query)}" if found.next else "",
        first=after is None,
        **_asked(wanted, trucks),
    )


def _asked(wanted: Wanted, trucks: Sequence[str]) -> dict[str, Any]:
    """Give what the form of the filter shows."""
    query = query_of(wanted)
    return {
        "wanted": wanted,
        "trucks": trucks,
        "kinds": [(kind, kind_words(kind)) for kind in sorted(EVERY_KIND)],
        "priorities": sorted(Priority, reverse=True),
        "states": [(state.value, STANDARD[state]) for state in STATES],
        "query": f"?{urlencode(query)}" if query else "",
    }


def _shelves(
    visit: Visit, holds: Sequence[Hold], rows: Sequence[Row], wanted: Wanted
) -> list[Shelf]:
    """Write what is held back, as far as it is asked for."""
    return [
        Shelf(
            hold=each,
            who=visit.teller.who(each.vehicle),
            what=HELD_WORDS[each.state],
            said=held_by(each, visit.say),
            kind=f"{kind_words(each.kind)} alarms" if each.kind else "all alarms",
            cards=tuple(
                card_of(row, visit.teller, visit.say)
                for row in rows
                if row.cover is not None and row.cover.id == each.id
            ),
            may_release=may_release(visit.visitor, each),
        )
        for each in holds
        if _asked_for(each, wanted)
    ]


def _asked_for(each: Hold, wanted: Wanted) -> bool:
    return (
        wanted.truck in (None, each.vehicle)
        and (wanted.kind is None or each.kind in (None, wanted.kind))
        and wanted.state in (None, each.state)
    )


def wanted_of(query: Mapping[str, str]) -> Wanted:
    """Read which alarms are asked for; what is not understood asks for nothing special."""
    priorities = {priority.name.lower(): priority for priority in Priority}
    states = {state.value: state for state in STATES}
    kind = query.get("kind", "")
    return Wanted(
        truck=query.get("truck", "").strip() or None,
        kind=kind if kind in EVERY_KIND else None,
        priority=priorities.get(query.get("priority", "")),
        state=states.get(query.get("state", "")),
    )


def query_of(wanted: Wanted) -> dict[str, str]:
    """Write what is asked for, for an address."""
    told = {
        "truck": wanted.truck,
        "kind": wanted.kind,
        "priority": None if wanted.priority is None else wanted.priority.name.lower(),
        "state": None if wanted.state is None else wanted.state.value,
    }
    return {name: value for name, value in told.items() if value is not None}
