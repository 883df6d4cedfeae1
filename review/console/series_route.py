"""The numbers of a chart, for the console's own script."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from starlette.responses import Response
from starlette.routing import BaseRoute

from review.console.house import House
from review.console.visit import Visit, route
from review.problems import Mistake
from review.series import USUAL_PX, encode, series
from review.series_lines import USUAL


def routes(house: House) -> Sequence[BaseRoute]:
    """Give the route."""
    return (route(house, "/trucks/{truck}/series.json", numbers),)


def numbers(visit: Visit) -> Response:
    """Answer with a truck over a span."""
    asked = visit.request.query_params
    try:
        first_ms, last_ms = _moment_ms(asked["since"]), _moment_ms(asked["until"])
        width_px = int(asked.get("width_px", USUAL_PX))
    except (KeyError, ValueError):
        return Response(
            "since and until are times like 2026-06-16T06:00:00Z, width_px a number", 400
        )
    try:
        with visit.house.store.read() as conn:
            found = series(
                conn,
                visit.house.reader,
                visit.request.path_params["truck"],
                first_ms=first_ms,
                last_ms=last_ms,
                width_px=width_px,
                signals=tuple(asked.getlist("signals")) or USUAL,
                healthy=asked.get("healthy") != "false",
                units=visit.visitor.units,
            )
    except Mistake as mistake:
        return Response(str(mistake), 400)
    return Response(encode(found), media_type="application/json")


def _moment_ms(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1000)
