"""``/services/sheet``: work sheets to print, one page a truck."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from starlette.responses import Response
from starlette.routing import BaseRoute

from alerts.phrases import MANUAL_FIRST
from models import circuit_words
from models.words import SHORT_DRIVE
from review.circuit_standing import SUSPECT_FROM
from review.console.house import House
from review.console.services import between_words, unseen_words, when_words, why_words
from review.console.visit import Visit, route
from review.entry_rules import UnknownTruck
from review.entry_words import KIND_WORDS
from review.reading import no_account
from review.services_due import ServiceDue
from review.work_sheet import WorkSheet, shop_reading, work_sheet

MOST_SHEETS = 40
"""Work sheets that are written at once; own choice: a week's work of a large shop."""

MOST_LOOKS = 3
"""Alarms that one page has room for; the others are named on the truck's own page."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """One thing to look at beside the fluid: what it is, since when, the causes that remain.

    ``tells``: what would tell, where no causes were weighed.
    """

    title: str
    since_ms: int | None
    over: bool
    causes: str
    tells: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """A work sheet in words; ``reading``: what the cooler lines would show by all causes that remain."""

    facts: WorkSheet
    when: str
    between: str
    why: str
    unseen: str
    looks: tuple[Look, ...]
    more: int
    reading: str
    last: str


def routes(house: House) -> Sequence[BaseRoute]:
    """Give the routes."""
    return (
        route(house, "/services/sheet", _several),
        route(house, "/services/sheet/{truck}", _one),
    )


def _one(visit: Visit) -> Response:
    return _sheets(visit, [visit.request.path_params["truck"]])


def _several(visit: Visit) -> Response:
    trucks = list(dict.fromkeys(visit.request.query_params.getlist("truck")))
    if not trucks:
        return visit.problem(
            400, "No truck was ticked", "Go back to Services due and tick the trucks that come."
        )
    if len(trucks) > MOST_SHEETS:
        return visit.problem(
            400, "Too many at once", f"{MOST_SHEETS} work sheets at most: tick fewer trucks."
        )
    return _sheets(visit, trucks)


def _sheets(visit: Visit, trucks: Sequence[str]) -> Response:
    house = visit.house
    found: list[WorkSheet] = []
    for truck in trucks:
        try:
            with house.store.read() as conn:
                found.append(work_sheet(conn, house.reader, truck))
        except UnknownTruck:
            return visit.problem(
                404, "No such truck", f"No truck is named {truck!r}. Services due lists all."
            )
    title = f"Work sheet {trucks[0]}" if len(trucks) == 1 else f"{len(trucks)} work sheets"
    return visit.page(
        "sheets.html",
        title=title,
        sheets=[_sheet(each, visit) for each in found],
        manual=MANUAL_FIRST,
        short_drive=SHORT_DRIVE,
    )


def _sheet(facts: WorkSheet, visit: Visit) -> Sheet:
    units = visit.visitor.units
    looks = _looks(facts, visit)
    service = ServiceDue(
        truck=facts.truck,
        title=facts.vehicle.title,
        standing=facts.standing,
        waiting=False,
        due=facts.due,
        account=facts.account,
    )
    due = facts.due
    return Sheet(
        facts=facts,
        when="not known" if due is None else when_words(due, units),
        between="" if due is None else between_words(due, units),
        why=no_account(facts.truck, facts.standing) if due is None else why_words(due, units),
        unseen=unseen_words(service, units),
        looks=looks[:MOST_LOOKS],
        more=len(looks[MOST_LOOKS:]),
        reading=shop_reading(_weighed(facts)) if looks else "",
        last=_last(facts, visit),
    )


def _looks(facts: WorkSheet, visit: Visit) -> tuple[Look, ...]:
    """Say what to look at: what the alarms ask for, else what is suspected."""
    found, causes_said = [], set[str]()
    for alarm in facts.alarms:
        said = visit.teller.say(alarm)
        again = said.rivals in causes_said
        causes_said |= {said.rivals} - {""}
        found.append(
            Look(
                title=said.title,
                since_ms=alarm.onset_ms,
                over=not alarm.active,
                causes="as above" if again else said.rivals,
                tells="" if said.rivals else said.tells_apart or said.doubts,
            )
        )
    return tuple(found) or _suspected(facts)


def _suspected(facts: WorkSheet) -> tuple[Look, ...]:
    circuit = facts.circuit
    if circuit is None or circuit.fault_probability < SUSPECT_FROM:
        return ()
    return (
        Look(
            title="Cooling circuit: a fault is possible, not sure enough for an alarm",
            since_ms=circuit.suspect_ms,
            over=False,
            causes=circuit_words.rivals(circuit.evidence),
            tells="",
        ),
    )


def _weighed(facts: WorkSheet) -> dict[str, float]:
    """Give the causes that any of the alarms leaves, each at its likeliest; else those suspected now."""
    told = [alarm.evidence for alarm in facts.alarms]
    if not told and facts.circuit is not None:
        told = [facts.circuit.evidence]
    names = {name for evidence in told for name in evidence if name.startswith("p_")}
    causes = {name: max(each.get(name, 0.0) for each in told) for name in names}
    by_coolant = max((each.get("coolant_cooled", 0.0) for each in told), default=0.0)
    return {**causes, "coolant_cooled": by_coolant}


def _last(facts: WorkSheet, visit: Visit) -> str:
    entry = facts.last_service
    if entry is None:
        return "no service is in the record"
    if entry.time_ms <= 0:
        return f"{KIND_WORDS[entry.kind]}, date not known"
    return f"{KIND_WORDS[entry.kind]}, {visit.say.day(entry.time_ms)}, by {entry.who}"
