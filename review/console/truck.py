"""A truck: what it needs, how it stands now, its circuit drawn, account, forecast, alarms, services."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from functools import partial
from typing import Any

from starlette.responses import Response
from starlette.routing import BaseRoute

from alerts import ledger
from alerts.ledger import Alarm
from ingest import record
from ingest.record import Entry
from review.attention import Need, needs_of
from review.attention_words import said
from review.board_row import TruckLive
from review.console.chart import Chart, chart_of
from review.console.fluid_bar import fluid_bar
from review.console.house import House
from review.console.share_bar import share_bar
from review.console.truck_facts import (
    account_facts,
    band_hours,
    due_words,
    life_used,
    limits_used,
    signal_facts,
)
from review.console.visit import LIVE_PART, Visit, route
from review.entry_words import details
from review.problems import Mistake
from review.schematic.drawing import drawn
from review.schematic.scheme import scheme_of
from review.schematic.words import circuit_told, kind_of, observed
from review.truck_word import FRESH_MS, word_of

CHART_MS = 12 * 3_600_000
"""Span of the chart on the page [ms]; the history has the rest."""

LATE_MS = 90 * 86_400_000
"""How far back alarms of late are listed [ms]; own choice."""

MOST_ALARMS, MOST_ENTRIES = 12, 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Past:
    """What the store says of a truck beside how it stands now: alarms of late, entries, a chart."""

    alarms: Sequence[Alarm] = ()
    entries: Sequence[Entry] = ()
    chart: Chart | None = None


def truck_page(visit: Visit) -> Response:
    """Show the page."""
    name = visit.request.path_params["truck"]
    fleet, now_ms = visit.house.board.now(), visit.house.now_ms()
    if name not in fleet.known:
        return _unknown(visit, name, fleet.known)
    truck = fleet.trucks.get(name)
    if truck is None:
        told = f"{len(fleet.trucks):,} of {len(fleet.known):,} trucks are read."
        return visit.problem(503, f"Still reading {name}", told, "Ask again in a moment.")
    units = visit.visitor.units
    needs = needs_of(truck, now_ms, all_silent=fleet.all_silent)
    lines = circuit_told(truck, units)
    word = word_of(truck, needs, now_ms=now_ms)
    # A live part needs what the board has; only the whole page reads the store.
    past = Past() if visit.request.headers.get(LIVE_PART) else _past(visit, truck, now_ms)
    return visit.page(
        "truck.html",
        title=name if truck.title == name else f"{name} {truck.title}",
        truck=truck,
        needs=needs,
        word=word,
        headline=_headline(visit, truck, needs, unseen=word.unseen),
        kind=kind_of(truck),
        drawing=_drawing(visit, truck, lines),
        told=lines,
        observed=observed(truck, units),
        signals=signal_facts(truck, units),
        past=past,
        facts=partial(account_facts, units=units),
        life_used=life_used,
        bands=partial(band_hours, units=units),
        due_words=partial(due_words, units=units),
        limits_used=partial(limits_used, units=units),
        entry_words=partial(details, units=units),
        tell=partial(_tell, visit, now_ms),
        alarm_words=visit.teller.say,
        bar=fluid_bar,
        share_bar=share_bar,
        back=visit.request.url.path,
    )


def _unknown(visit: Visit, name: str, known: Sequence[str]) -> Response:
    near = get_close_matches(name, known, n=3, cutoff=0.5)
    hint = f"Did you mean {' or '.join(near)}?" if near else "Today lists all trucks."
    return visit.problem(404, "No such truck", f"There is no truck {name}.", hint)


def _headline(visit: Visit, truck: TruckLive, needs: Sequence[Need], *, unseen: bool) -> str:
    if not needs and truck.last_ms is None:
        return "It was never heard: nothing is known of it."
    if not needs and unseen:
        return f"Nothing was heard of it since {visit.say.moment(truck.last_ms)}."
    if not needs:
        return "Nothing of it needs you now."
    return "It needs somebody." if not needs[0].known else "Somebody knows, and it is not over."


def _drawing(visit: Visit, truck: TruckLive, told: Sequence[str]) -> Any:
    return drawn(
        scheme_of(truck, visit.visitor.units),
        title=f"Cooling circuit of {truck.name}: {kind_of(truck)}",
        description=" ".join(told),
    )


def _past(visit: Visit, truck: TruckLive, now_ms: int) -> Past:
    with visit.house.store.read() as conn:
        alarms = ledger.alarms(
            conn, vehicle=truck.name, since_ms=now_ms - LATE_MS, limit=MOST_ALARMS
        )
        entries = record.effective(conn, truck.name)
    standing = {alarm.id for alarm in truck.alarms}
    over = [each for each in alarms if each.id not in standing and not each.withdrawn]
    newest = sorted(entries, key=lambda entry: -entry.time_ms)[:MOST_ENTRIES]
    return Past(alarms=over, entries=newest, chart=_chart(visit, truck, now_ms))


def _chart(visit: Visit, truck: TruckLive, now_ms: int) -> Chart | None:
    if truck.last_ms is None:
        return None
    try:
        return chart_of(
            visit,
            truck.name,
            first_ms=truck.last_ms - CHART_MS,
            last_ms=truck.last_ms,
            live=now_ms - truck.last_ms <= FRESH_MS,
            panels=False,
        )
    except Mistake:
        return None


def _tell(visit: Visit, now_ms: int, need: Need, truck: TruckLive) -> object:
    return said(need, truck, visit.teller, now_ms)


def routes(house: House) -> Sequence[BaseRoute]:
    """Give the route."""
    return (route(house, "/trucks/{truck}", truck_page),)
