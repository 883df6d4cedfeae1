"""What if: what another cooler, a full-flow block, a clean cooler or less load would have meant."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from urllib.parse import quote

from starlette.responses import Response
from starlette.routing import BaseRoute

from models.circuit_words import learned
from models.what_if import offered
from models.what_if_figures import Change
from review import what_if_words as words
from review.console.house import House
from review.console.visit import Visit, route
from review.console.what_if_view import view_of
from review.entry_rules import UnknownTruck
from review.measures import minute
from review.problems import Mistake
from review.reading import Stored, no_account
from review.what_if import Answer, answer
from review.what_if_desk import Busy, Question, Waiting, WhatIfDesk

DAYS = {"1": "its last 24 hours", "7": "its last 7 days", "28": "its last 4 weeks"}
"""How much of its work a truck goes through again."""

USUAL_DAYS = "7"
"""A week: four take a truck that works all day a minute."""

COOLERS = {
    "": "as fitted",
    "1.15": "15% bigger",
    "1.3": "30% bigger",
    "1.5": "half as big again",
    "2": "twice as big",
}
LOADS = {
    "": "as it was",
    "0.9": "10% less",
    "0.8": "20% less",
    "0.7": "30% less",
    "0.5": "half",
}

ROUND_MS = 600_000
"""Questions that are asked within so much of a truck's time are the same [ms]."""

_DAY_MS = 86_400_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What the form asks for, as it stands in the address."""

    days: str
    cooler: str = ""
    load: str = ""
    full_flow: bool = False
    cleaned: bool = False
    together: bool = False

    @classmethod
    def of(cls, query: Mapping[str, str]) -> Asked:
        """Read it from an address; what is not offered counts as not asked."""
        days, cooler, load = (
            query.get("days", ""),
            query.get("cooler", ""),
            query.get("load", ""),
        )
        return cls(
            days=days if days in DAYS else USUAL_DAYS,
            cooler=cooler if cooler in COOLERS else "",
            load=load if load in LOADS else "",
            full_flow="full_flow" in query,
            cleaned="cleaned" in query,
            together="together" in query,
        )

    def changes(self, kind: int) -> tuple[Change, ...]:
        """Give the changes, each for itself, then all at once if that is asked for; none: the usual ones."""
        can = offered(kind)
        found = [Change(cooler=float(self.cooler))] if self.cooler else []
        found += [Change(full_flow=True)] if self.full_flow and "full_flow" in can else []
        found += [Change(cleaned=True)] if self.cleaned else []
        found += [Change(load=float(self.load))] if self.load else []
        if self.together and len(found) > 1:
            found.append(
                Change(
                    cooler=float(self.cooler or 1.0),
                    full_flow=self.full_flow and "full_flow" in can,
                    cleaned=self.cleaned,
                    load=float(self.load or 1.0),
                )
            )
        return tuple(found)


def routes(house: House) -> Sequence[BaseRoute]:
    """Give the routes."""
    desk = WhatIfDesk(lambda question: _computed(house, question))
    return (
        route(house, "/what-if", trucks),
        route(house, "/what-if/{truck}", lambda visit: page(visit, desk)),
    )


def trucks(visit: Visit) -> Response:
    """List the trucks that can be asked about."""
    fleet = visit.house.board.now()
    return visit.page(
        "what_ifs.html",
        title="What if",
        trucks=[
            (
                truck,
                ""
                if truck.circuit_standing is None
                else learned(truck.circuit_standing.learned),
            )
            for truck in fleet.trucks.values()
        ],
    )


def page(visit: Visit, desk: WhatIfDesk) -> Response:
    """Show the answer for a truck, or that it is being computed."""
    truck = visit.request.path_params["truck"]
    asked = Asked.of(visit.request.query_params)
    try:
        with visit.house.store.read() as conn:
            stored = visit.house.reader.truck(conn, truck)
        if stored.state is None or stored.held is None:
            raise Mistake(no_account(truck, stored.standing))
        kind = int(stored.params.thermal.bank.circuit.kind)
        if not offered(kind):
            raise Mistake(
                f"nothing is known of how {truck} cools its fluid; say it in the record"
            )
        found = desk.ask(_question(stored, asked, kind))
    except UnknownTruck as mistake:
        return visit.problem(404, "No such truck", f"{str(mistake).capitalize()}.")
    except Mistake as mistake:
        return visit.problem(409, f"No what-if of {truck}", f"{_sentence(str(mistake))}")
    except Busy:
        return visit.problem(
            503,
            "Too many questions at once",
            "Several what-ifs are being computed. Try again in a minute.",
        )
    if isinstance(found, Waiting):
        return _waiting(visit, stored, asked, found)
    return _shown(visit, stored, asked, kind, found)


def _question(stored: Stored, asked: Asked, kind: int) -> Question:
    if stored.held is None:
        raise ValueError(f"{stored.name} has no account")
    until_ms = -(-stored.held.last_ms // ROUND_MS) * ROUND_MS
    return Question(
        truck=stored.name,
        basis=stored.held.basis,
        since_ms=until_ms - int(asked.days) * _DAY_MS,
        until_ms=until_ms,
        changes=asked.changes(kind),
    )


def _computed(house: House, question: Question) -> Answer:
    with house.store.read() as conn:
        return answer(
            conn,
            house.reader,
            question.truck,
            since_ms=question.since_ms,
            until_ms=question.until_ms,
            changes=question.changes,
        )


def _waiting(visit: Visit, stored: Stored, asked: Asked, found: Waiting) -> Response:
    return visit.page(
        "what_if_wait.html",
        title=f"What if: {visit.teller.who(stored.name)}",
        status=202,
        truck=stored.name,
        days=DAYS[asked.days],
        before=found.before,
        again=str(visit.request.url.query),
    )


def _shown(visit: Visit, stored: Stored, asked: Asked, kind: int, found: Answer) -> Response:
    units = visit.visitor.units
    where = f"the page of {stored.name}"
    return visit.page(
        "what_if.html",
        title=f"What if: {visit.teller.who(stored.name)}",
        truck=stored.name,
        base=f"/what-if/{quote(stored.name)}",
        asked=asked,
        days=DAYS,
        coolers=COOLERS,
        loads=LOADS,
        offered=offered(kind),
        view=view_of(found, units),
        rows=[words.row(outcome, units) for outcome in found.found.outcomes],
        above=f"Above {units.degrees(found.limit_c)}",
        since=minute(found.since_ms, units.zone),
        until=minute(found.until_ms, units.zone),
        remarks=list(words.remarks(found, units, where=where)),
        broken=list(words.broken(found)),
        cautions=list(words.cautions(found)),
        learned=found.learned,
    )


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + ("" if text.endswith(".") else ".")
