"""The API put together: its operations, its door, what it says of faults, its description."""

from __future__ import annotations

from collections.abc import Sequence

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.responses import Response
from starlette.routing import BaseRoute, Match, Mount

from review.api import (
    alarms,
    figures,
    fills,
    history,
    holds,
    notices,
    quarantine,
    record,
    review,
    services,
    system,
    trucks,
    what_if,
)
from review.api.describing import described, description_route
from review.api.door import Door
from review.api.faults import FAULTS, not_understood
from review.api.pace import Pace
from review.api.people import people_route
from review.api.places import ROOT
from review.api.refusing import Refused, told, told_status
from review.api.turns import Turns
from review.console.house import House
from review.web.strangers import MOST

_PARTS = (trucks, fills, history, alarms, holds, figures, services, record, what_if, review)
_SYSTEM = (notices, quarantine, system)


def api_routes(
    house: House, *, pace: Pace | None = None, guesses: int = MOST
) -> Sequence[BaseRoute]:
    """Give the one route of the API."""
    door = Door(application(house), house=house, pace=pace or Pace(), guesses=guesses)
    return (Mount(ROOT, door),)


def application(house: House) -> FastAPI:
    """Put the operations together."""
    app = FastAPI(openapi_url=None, docs_url=None, redoc_url=None, redirect_slashes=False)
    app.state.house, app.state.turns = house, Turns()
    for part in (*_PARTS, *_SYSTEM):
        app.router.routes += part.router.routes
    app.router.routes += [description_route(), people_route()]
    app.openapi = lambda: described(app)  # type: ignore[method-assign] # as FastAPI says to do it
    app.add_exception_handler(Refused, _refused)
    app.add_exception_handler(RequestValidationError, _wrong)
    app.add_exception_handler(HTTPException, _bare)
    app.add_exception_handler(Exception, _failed)
    for kind in FAULTS:
        app.add_exception_handler(kind, _fault)
    return app


def _refused(request: Request, error: Exception) -> Response:
    if not isinstance(error, Refused):
        raise error
    return told(request, error)


def _wrong(request: Request, error: Exception) -> Response:
    if not isinstance(error, RequestValidationError):
        raise error
    return told(request, not_understood(error))


def _fault(request: Request, error: Exception) -> Response:
    known = next(made for kind, made in FAULTS.items() if isinstance(error, kind))
    return told(request, known(error))


def _bare(request: Request, error: Exception) -> Response:
    if not isinstance(error, HTTPException):
        raise error
    if error.status_code != 405:
        return told_status(request, error.status_code, error.headers)
    return told_status(request, 405, {"Allow": ", ".join(_methods(request))})


def _failed(request: Request, error: Exception) -> Response:
    del error  # the guard, to which it goes on, logs it
    return told_status(request, 500)


def _methods(request: Request) -> list[str]:
    """List the methods that a path takes: it may have several routes."""
    found: set[str] = set()
    for route in request.app.routes:
        if route.matches(request.scope)[0] is not Match.NONE:
            found |= set(getattr(route, "methods", None) or ())
    return sorted({*found, "HEAD"} if "GET" in found else found)
