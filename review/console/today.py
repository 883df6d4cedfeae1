"""Today: what needs somebody, in order, and why; what nobody can see; then all trucks."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from starlette.responses import Response
from starlette.routing import BaseRoute

from alerts.ledger import Alarm
from alerts.phrases import number_of
from alerts.watch import EVERYBODY
from models.due import Due
from models.transition import Priority
from review.attention import Need, needs_of, rank
from review.attention_words import of_alarm, said
from review.board_fleet import FleetLive
from review.board_row import TruckLive
from review.console.fluid_bar import fluid_bar
from review.console.house import House
from review.console.say import Say
from review.console.visit import Visit, route
from review.truck_word import word_of
from review.unseen import Unseen, unseen_of

LIVE_KEYS = "live-keys"
"""The header by which the page's script asks for some rows of the table alone."""

SHOWN: Mapping[str, str] = {
    "": "all trucks",
    "needs": "those that need somebody",
    "driving": "those that drive",
    "unseen": "those not seen lately",
}
SORTED: Mapping[str, str] = {
    "need": "what needs somebody first",
    "name": "name",
    "fluid": "hottest fluid first",
    "life": "most life used first",
    "service": "next service first",
    "newest": "longest unheard first",
}

MOST_CARDS = 30
"""So many trucks that need somebody are told in full, the most urgent; the table has them all. Own choice."""

NOTHING = "Nothing needs you now."
OWN = "No truck needs you now; Heatbook itself does."

Entry = tuple[TruckLive, tuple[Need, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What of the fleet somebody wants to see, and in which order."""

    words: str = ""
    group: str = ""
    show: str = ""
    sort: str = "need"

    @property
    def narrowed(self) -> bool:
        """Whether more than words was chosen."""
        return (self.group, self.show, self.sort) != ("", "", "need")

    @classmethod
    def of(cls, query: Mapping[str, str]) -> Asked:
        """Read it from an address; what is not known there counts as not asked."""
        show, sort = query.get("show", ""), query.get("sort", "need")
        return cls(
            words=query.get("find", "").strip(),
            group=query.get("group", ""),
            show=show if show in SHOWN else "",
            sort=sort if sort in SORTED else "need",
        )


def chosen(entries: Sequence[Entry], asked: Asked, now_ms: int) -> list[Entry]:
    """Give the trucks that are asked for, in the order that is asked for."""
    words = asked.words.casefold().split()
    found = [
        entry
        for entry in entries
        if all(word in f"{entry[0].name} {entry[0].title}".casefold() for word in words)
        and (not asked.group or asked.group in entry[0].groups)
        and _shown(entry, asked.show, now_ms)
    ]
    return sorted(found, key=_ORDER[asked.sort])


def today(visit: Visit) -> Response:
    """Show the page."""
    fleet, now_ms = visit.house.board.now(), visit.house.now_ms()
    every = _entries(fleet, now_ms)
    asked = Asked.of(visit.request.query_params)
    keys = visit.request.headers.get(LIVE_KEYS)
    rows = chosen(every, asked, now_ms)
    if keys is not None:
        wanted = frozenset(keys.split(","))
        rows = [entry for entry in rows if entry[0].name in wanted]
    hidden = unseen_of(fleet.trucks.values(), now_ms)
    needing = sorted((entry for entry in every if entry[1]), key=_by_need)
    before, after = _of_no_truck(fleet.others)
    return visit.page(
        "today.html",
        title="Today",
        before=before,
        after=after,
        fleet=fleet,
        headline=headline(fleet, needing),
        nothing=NOTHING,
        needing=needing[:MOST_CARDS],
        more=max(0, len(needing) - MOST_CARDS),
        rows=rows,
        asked=asked,
        shown=SHOWN,
        sorted_by=SORTED,
        groups=sorted(visit.house.groups),
        unseen=hidden,
        unseen_lists=_unseen_lists(hidden),
        unseen_line=_unseen_line(hidden),
        tell=partial(_tell, visit, now_ms),
        tell_alarm=partial(of_alarm, teller=visit.teller),
        who=visit.teller.who,
        due_short=partial(due_short, say=visit.say),
        word=partial(word_of, now_ms=now_ms),
        bar=fluid_bar,
        back=visit.request.url.path,
    )


def _of_no_truck(others: Sequence[Alarm]) -> tuple[list[Alarm], list[Alarm]]:
    """Part what concerns everybody or is urgent, before the trucks' cards, from what can wait."""
    before = [
        one for one in others if one.vehicle == EVERYBODY or one.priority >= Priority.HIGH
    ]
    return before, [one for one in others if one not in before]


def headline(fleet: FleetLive, needing: Sequence[Entry]) -> str:
    """Say in a sentence how the fleet stands."""
    if fleet.reading:
        return f"Still reading: {len(fleet.trucks):,} of {len(fleet.known):,} trucks."
    if fleet.all_silent:
        return "Nothing comes from any truck."
    if not fleet.known:
        return "No truck yet: none is in the fleet file and none was heard."
    heard = sum(truck.last_ms is not None for truck in fleet.trucks.values())
    if not needing and not heard:
        return "No truck was heard yet."
    if not needing:
        return OWN if fleet.others else NOTHING
    every = len(fleet.known)
    need = "needs" if len(needing) == 1 else "need"
    return f"{len(needing):,} of {number_of(every, 'truck')} {need} somebody."


def due_short(due: Due, say: Say) -> str:
    """Say in a table when a service is due."""
    if due.median_ms is None:
        return "not in 5 years"
    return f"overdue since {say.day(due.median_ms)}" if due.overdue else say.day(due.median_ms)


def _unseen_lists(hidden: Unseen) -> Sequence[tuple[str, Sequence[str], str]]:
    return (
        ("Never heard", hidden.never, "No sample of them was ever taken in."),
        ("Quiet for a day", hidden.quiet, "Nothing is known of them since."),
        (
            "No fluid temperature",
            hidden.blind,
            "Their newest sample has none; without it nothing is watched.",
        ),
        (
            "Cooler never proven",
            hidden.unproven,
            "Their cooler's flow was never seen to work: it takes a hot drive under load.",
        ),
        ("Held back", hidden.held, "People keep alarms of them from telling."),
    )


def _unseen_line(hidden: Unseen) -> str:
    told = (
        (hidden.never, "never heard"),
        (hidden.quiet, "quiet for a day or more"),
        (hidden.blind, "without fluid temperature"),
        (hidden.unproven, "whose cooler was never proven to work"),
        (hidden.held, "held back by people"),
    )
    return "; ".join(f"{len(names):,} {words}" for names, words in told if names)


def _tell(visit: Visit, now_ms: int, need: Need, truck: TruckLive) -> object:
    return said(need, truck, visit.teller, now_ms)


def _entries(fleet: FleetLive, now_ms: int) -> list[Entry]:
    silent = fleet.all_silent
    return [
        (truck, needs_of(truck, now_ms, all_silent=silent)) for truck in fleet.trucks.values()
    ]


def _shown(entry: Entry, show: str, now_ms: int) -> bool:
    truck, needs = entry
    if show == "needs":
        return bool(needs)
    if show == "driving":
        return word_of(truck, needs, now_ms=now_ms).driving
    return show != "unseen" or word_of(truck, needs, now_ms=now_ms).unseen


def _by_need(entry: Entry) -> tuple[Any, ...]:
    truck, needs = entry
    return (0, rank(needs[0]), truck.name) if needs else (1, truck.name)


def _fluid(entry: Entry) -> tuple[float, str]:
    signals = entry[0].signals
    known = signals is not None and signals.fluid_c is not None
    return (-(signals.fluid_c or 0.0) if signals and known else 1e9, entry[0].name)


def _life(entry: Entry) -> tuple[float, str]:
    account = entry[0].account
    return (1.0 if account is None else -account.life_used, entry[0].name)


def _service(entry: Entry) -> tuple[float, str]:
    due = entry[0].due
    return (1e18 if due is None or due.median_ms is None else due.median_ms, entry[0].name)


def _newest(entry: Entry) -> tuple[int, str]:
    return (entry[0].last_ms or 0, entry[0].name)


_ORDER: Mapping[str, Callable[[Entry], tuple[Any, ...]]] = {
    "need": _by_need,
    "name": lambda entry: (entry[0].name,),
    "fluid": _fluid,
    "life": _life,
    "service": _service,
    "newest": _newest,
}


def routes(house: House) -> Sequence[BaseRoute]:
    """Give the route."""
    return (route(house, "/", today),)
