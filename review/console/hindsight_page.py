"""``/hindsight``: other limits on one's own past: asked for, made in a thread, shown."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta

from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute

from review.access.visitor import Role
from review.console.hindsight_rows import parts_of
from review.console.house import House
from review.console.visit import Visit, route
from review.hindsight import words
from review.hindsight.asked import check_span
from review.hindsight.form import asked_of
from review.hindsight.other import check, present_of
from review.hindsight.runs import Run, Runs
from review.hindsight.strips import WIDE, strips
from review.kinds import WORDS
from review.problems import Mistake

USUAL_DAYS = 28
"""How far back is looked if nobody says [d]."""

MOST_STRIPS = 60
"""Strips that a page draws; own choice."""

STARTS = Role.TECHNICIAN
"""Who may begin a look back: it keeps the machine busy."""


def routes(house: House) -> Sequence[BaseRoute]:
    """Give the routes; what was made is kept with them."""
    pages = _Pages(Runs(house.store, house.reader))
    one = "/hindsight/{number:int}"
    return (
        route(house, "/hindsight", pages.ask),
        route(house, "/hindsight", pages.start, least=STARTS, methods=("POST",)),
        route(house, one, pages.show),
        route(house, f"{one}/progress", pages.progress),
        route(house, f"{one}/stop", pages.stop, least=STARTS, methods=("POST",)),
    )


@dataclass(frozen=True, slots=True)
class _Pages:
    runs: Runs

    def ask(self, visit: Visit) -> Response:
        """Show the form, and what was made before."""
        return self._form(visit, _usual(visit))

    def start(self, visit: Visit) -> Response:
        """Begin a look back."""
        try:
            asked = asked_of(visit.form, visit.visitor.units)
            check_span(asked)
            check(asked.other, present_of(visit.house.reader.courses))
            run = self.runs.start(asked, visit.visitor.name)
        except Mistake as mistake:
            return self._form(visit, visit.form, str(mistake))
        return visit.go(f"/hindsight/{run.number}")

    def show(self, visit: Visit) -> Response:
        """Show how far one has come, or what came of it."""
        run = self._run(visit)
        if run is None:
            return _gone(visit)
        units = visit.visitor.units
        found = run.found
        drawn = () if found is None else strips(found)
        return visit.page(
            "hindsight_run.html",
            title="Other limits on our past",
            run=run,
            may_stop=visit.visitor.may(STARTS),
            differs=words.differs(run.asked.other, units),
            found=found,
            headline="" if found is None else words.headline(found),
            truthful="" if found is None else words.truthful(found),
            cannot_know=words.CANNOT_KNOW,
            parts=() if found is None else parts_of(found, visit),
            strips=drawn[:MOST_STRIPS],
            not_drawn=max(0, len(drawn) - MOST_STRIPS),
            wide=WIDE,
        )

    def progress(self, visit: Visit) -> Response:
        """Say how far one has come, for the page's script."""
        run = self._run(visit)
        if run is None:
            return JSONResponse({"phase": "gone"}, 404)
        told = {"phase": run.phase, "truck": run.truck, "share": run.share}
        return JSONResponse(told)

    def stop(self, visit: Visit) -> Response:
        """Stop one."""
        run = self._run(visit)
        if run is None:
            return _gone(visit)
        run.stopping.set()
        return visit.go(f"/hindsight/{run.number}")

    def _run(self, visit: Visit) -> Run | None:
        return self.runs.get(visit.request.path_params["number"])

    def _form(self, visit: Visit, values: Mapping[str, str], wrong: str = "") -> Response:
        units = visit.visitor.units
        present = present_of(visit.house.reader.courses)
        return visit.page(
            "hindsight.html",
            title="Other limits on our past",
            status=422 if wrong else 200,
            values=values,
            wrong=wrong,
            may_start=visit.visitor.may(STARTS),
            trucks=[(name, visit.teller.who(name)) for name in visit.house.board.now().known],
            kinds=[(kind, words.kind_words(kind)) for kind in WORDS],
            off=[kind for kind in WORDS if values.get(f"off_{kind}")],
            present=present,
            hours=f"{1.0 / present.false_alarms_per_h:,.0f}",
            degrees=f"112 {units.temperature}" if units.temperature == "C" else "234 F",
            length=f"24000 {units.distance}" if units.distance == "km" else "15000 mi",
            made=[(run, words.differs(run.asked.other, units)) for run in self.runs.all()],
        )


def _usual(visit: Visit) -> Mapping[str, str]:
    """Fill the form in for the last four weeks; a link may bring other values along."""
    say = visit.say
    today = say.at(visit.house.now_ms())
    if today is None:
        return {}
    last = today.date()
    usual = {
        "from": (last - timedelta(days=USUAL_DAYS)).isoformat(),
        "to": last.isoformat(),
    }
    return {**usual, **dict(visit.request.query_params)}


def _gone(visit: Visit) -> Response:
    return visit.problem(
        404,
        "That look back is gone",
        "The last few are kept, until Heatbook starts anew. Make it once more: it gives the same.",
    )
