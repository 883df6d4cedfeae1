"""The API's page for people: what can be asked, and what problems mean."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from review.api.caller import Caller
from review.api.describing import TAGS, described
from review.api.places import PEOPLE, ROOT
from review.api.problem_kinds import KINDS
from review.console.house import House
from review.console.rendering import rendered
from review.console.say import Say


@dataclass(frozen=True, slots=True, kw_only=True)
class Operation:
    """One operation as a person reads it."""

    name: str
    method: str
    path: str
    summary: str
    description: str
    scope: str


def people_route() -> Route:
    """Give the route of the page."""
    return Route("/", _page)


def operations(app: FastAPI) -> Iterator[tuple[str, str, list[Operation]]]:
    """List the operations by what they are about."""
    every = [
        (each["tags"][0], _operation(path, method, each))
        for path, methods in described(app)["paths"].items()
        for method, each in methods.items()
    ]
    for name, words in TAGS:
        own = [operation for tag, operation in every if tag == name]
        if own:
            yield name, words, own


def _operation(path: str, method: str, each: dict[str, Any]) -> Operation:
    return Operation(
        name=each["operationId"],
        method=method.upper(),
        path=f"{ROOT}{path}",
        summary=each["summary"],
        description=each["description"],
        scope=next(iter(each["security"][0].values()))[0],
    )


def _page(request: Request) -> Response:
    house: House = request.app.state.house
    caller: Caller = request.state.caller
    visitor = caller.visitor
    text = rendered(
        "api.html",
        title="For programs",
        path=PEOPLE,
        visitor=visitor,
        say=Say(visitor.units, house.now_ms()),
        parts=list(operations(request.app)),
        problems=list(KINDS.values()),
        root=ROOT,
    )
    return HTMLResponse(text)
