"""A truck's history: its chart over any span, the alarms of that time, and the samples to take along."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import quote, urlencode

from starlette.responses import Response
from starlette.routing import BaseRoute

from review import history
from review.console.chart import Chart, chart_of
from review.console.history_files import DETAILS
from review.console.house import House
from review.console.span_choice import FILL, PRESETS, Span, chosen
from review.console.visit import Visit, route
from review.entry_rules import UnknownTruck
from review.problems import Mistake
from review.reading import Stored
from review.series_lines import LABELS, TEMPERATURES, WORK
from review.series_lines import USUAL as USUAL_SIGNALS
from review.series_marks import AlarmSpan

HEARD_MS = 600_000
"""A truck whose newest sample is no older than this is heard: its chart goes along [ms]."""

ROUND_MS = 1_800_000
"""So much before and after an alarm is shown with it [ms]; own choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """Something that can be chosen: its address, what it is called, and whether it is chosen."""

    address: str
    label: str
    chosen: bool


def routes(house: House) -> Sequence[BaseRoute]:
    """Give the route."""
    return (route(house, "/trucks/{truck}/history", page),)


def page(visit: Visit) -> Response:
    """Show it."""
    truck = visit.request.path_params["truck"]
    try:
        with visit.house.store.read() as conn:
            stored = visit.house.reader.truck(conn, truck)
            edges = history.span(conn, truck)
        if edges is None:
            return visit.problem(
                404, f"No history of {truck}", f"{truck} was never heard: no sample is stored."
            )
        span = _span(visit, stored, edges)
        signals = _signals(visit)
        chart = chart_of(
            visit,
            truck,
            first_ms=span.first_ms,
            last_ms=span.last_ms,
            signals=signals,
            live=span.live,
        )
    except UnknownTruck as mistake:
        return visit.problem(404, "No such truck", f"{str(mistake).capitalize()}.")
    except Mistake as mistake:
        return visit.problem(400, "That cannot be shown", f"{str(mistake).capitalize()}.")
    return _shown(visit, chart, span, signals, edges)


def _shown(
    visit: Visit, chart: Chart, span: Span, signals: Sequence[str], edges: tuple[int, int]
) -> Response:
    base = f"/trucks/{quote(chart.truck)}/history"
    along = (
        ""
        if tuple(signals) == USUAL_SIGNALS
        else "&" + urlencode({"signals": ",".join(signals)})
    )
    return visit.page(
        "history.html",
        title=f"History of {visit.teller.who(chart.truck)}",
        chart=chart,
        span=span,
        presets=[
            Choice(
                address=f"{base}?span={name}{along}", label=label, chosen=span.preset == name
            )
            for name, label in [
                *((name, told) for name, (told, _) in PRESETS.items()),
                (FILL, "This fill"),
            ]
        ],
        before=f"{base}?{span.moved(-1).query}{along}" if span.first_ms > edges[0] else None,
        after=f"{base}?{span.moved(1).query}{along}" if span.last_ms < edges[1] else None,
        base=base,
        kinds=(("Temperatures", TEMPERATURES), ("Work", WORK)),
        labels=LABELS,
        signals=signals,
        alarms=[(alarm, _around(alarm)) for alarm in reversed(chart.series.alarms)],
        edges=edges,
        details=DETAILS,
    )


def _around(alarm: AlarmSpan) -> Span:
    return Span(first_ms=alarm.first_ms - ROUND_MS, last_ms=alarm.last_ms + ROUND_MS)


def _span(visit: Visit, stored: Stored, edges: tuple[int, int]) -> Span:
    oldest_ms, newest_ms = edges
    now_ms = visit.house.now_ms()
    live = now_ms - newest_ms <= HEARD_MS
    fill_ms = oldest_ms if stored.state is None else stored.statement.started_ms
    return chosen(
        visit.request.query_params,
        oldest_ms=oldest_ms,
        newest_ms=now_ms if live else newest_ms,
        fill_ms=fill_ms,
        live=live,
        zone=visit.visitor.units.zone,
    )


def _signals(visit: Visit) -> tuple[str, ...]:
    """Give the signals that are asked for, in our order; the fluid is always among them."""
    asked = visit.request.query_params.getlist("signals")
    names = {name for each in asked for name in each.split(",") if name}
    if not names:
        return USUAL_SIGNALS
    if strange := sorted(names - set(LABELS)):
        raise Mistake(f"{strange[0]!r} cannot be drawn; choose among {', '.join(LABELS)}")
    return tuple(name for name in LABELS if name in names or name == "fluid_temp_c")
