"""The description of the API, OpenAPI 3.1: made from the operations themselves."""

from __future__ import annotations

import json
from collections.abc import Iterator
from functools import cache
from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from review.access.cookies import SESSION as SESSION_COOKIE
from review.access.gate import CSRF_HEADER
from review.access.tokens import SCOPE_WORDS
from review.api.answering import answered_bytes
from review.api.operation import GUARD, SESSION, TOKEN
from review.api.places import PEOPLE, ROOT
from review.api.refusing import Problem

VERSION = "1.0.0"
"""Of what is described: the first number changes when a client would have to."""

DESCRIPTION = f"""
All that Heatbook's console shows and does, for programs.

Numbers are SI and carry their unit in their name (`fluid_temp_c`, `driven_km`, `seen_h`; a `share` or a
`probability` lies between 0 and 1). Times are RFC 3339 in UTC. `null` is what is not known: never a zero.

A token comes in `Authorization: Bearer …`; a manager makes them under *Accounts*, each with its scopes
({", ".join(f"`{scope.value}`: {words}" for scope, words in SCOPE_WORDS.items())}). The console's own scripts
use their session instead, and send `{CSRF_HEADER}` with whatever changes something.

What is not done is answered with problem details (RFC 9457); {PEOPLE} lists their kinds. An answer has an
`ETag`: send it back as `If-None-Match` to hear 304 where nothing has changed. Lists come in parts: `next`, or
the header `Link`, leads on. `HEAD` works wherever `GET` does.
""".strip()

TAGS = (
    ("trucks", "How trucks stand."),
    ("history", "What they sent, and what it comes to."),
    ("alarms", "What is wrong, who knows, what is held back on purpose."),
    ("services due", "Which truck needs one when."),
    ("service record", "What was done to trucks."),
    ("what if", "What a change would have meant."),
    ("review", "After a failure: what came first."),
    ("system", "How Heatbook itself stands."),
)


def described(app: FastAPI) -> dict[str, Any]:
    """Give the description of an app's operations, made once."""
    if app.openapi_schema is None:
        app.openapi_schema = _made(app)
    return app.openapi_schema


def description_route() -> Route:
    """Give the route that answers with the description."""
    return Route("/openapi.json", _answer)


def _answer(request: Request) -> Response:
    return answered_bytes(request, _written(request.app))


@cache
def _written(app: FastAPI) -> bytes:
    return json.dumps(described(app), separators=(",", ":"), ensure_ascii=False).encode()


def _made(app: FastAPI) -> dict[str, Any]:
    made = get_openapi(
        title="Heatbook",
        version=VERSION,
        openapi_version="3.1.0",
        description=DESCRIPTION,
        routes=app.routes,
        tags=[{"name": name, "description": words} for name, words in TAGS],
        servers=[{"url": ROOT}],
    )
    for operation in _operations(made):
        for parameter in operation.get("parameters", ()):
            _never_null(parameter)
    components = made.setdefault("components", {})
    components["securitySchemes"] = _SCHEMES
    problem = Problem.model_json_schema(ref_template="#/components/schemas/{model}")
    shapes = {**problem.pop("$defs", {}), "Problem": problem}
    components["schemas"] = {**components.get("schemas", {}), **shapes}
    return made


def _operations(made: dict[str, Any]) -> Iterator[dict[str, Any]]:
    for methods in made["paths"].values():
        yield from methods.values()


def _never_null(parameter: dict[str, Any]) -> None:
    """Say that a parameter is left out where it is not given: an address and a header have no null."""
    schema = parameter["schema"]
    kinds = [each for each in schema.pop("anyOf", ()) if each != {"type": "null"}]
    if len(kinds) == 1:
        schema |= kinds[0]


_SCHEMES = {
    TOKEN: {
        "type": "http",
        "scheme": "bearer",
        "description": "A token that a manager has made. Its scopes say what it may do.",
    },
    SESSION: {
        "type": "apiKey",
        "in": "cookie",
        "name": SESSION_COOKIE,
        "description": "The session of a person who is signed in on the console.",
    },
    GUARD: {
        "type": "apiKey",
        "in": "header",
        "name": CSRF_HEADER,
        "description": "Goes along with what changes something, where a session says who asks.",
    },
}
