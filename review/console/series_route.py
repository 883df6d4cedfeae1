"""The numbers of a chart, for the console's own script."""

from __future__ import annotations

from collections.abc import Sequence

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
        first_ms, last_ms = int(asked["first"]), int(asked["last"])
        width_px = int(asked.get("width", USUAL_PX))
    except (KeyError, ValueError):
        return Response(
            "first, last and width are whole numbers: Unix ms, Unix ms, pixels", 400
        )
    signals = tuple(asked["signals"].split(",")) if "signals" in asked else USUAL
    try:
        with visit.house.store.read() as conn:
            found = series(
                conn,
                visit.house.reader,
                visit.request.path_params["truck"],
                first_ms=first_ms,
                last_ms=last_ms,
                width_px=width_px,
                signals=signals,
                healthy=asked.get("healthy", "yes") != "no",
                units=visit.visitor.units,
            )
    except Mistake as mistake:
        return Response(str(mistake), 400)
    return Response(encode(found), media_type="application/json")
