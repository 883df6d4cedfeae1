"""How an operation is entered: what it answers with, what it needs, which problems it tells of."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, TypeVar

from fastapi import APIRouter

from review.access.tokens import Scope
from review.api.refusing import MEDIA_TYPE

Endpoint = TypeVar("Endpoint", bound=Callable[..., Any])

TOKEN, SESSION, GUARD = "token", "session", "csrf"
"""How a caller is known, in the description."""

_ALWAYS = (401, 403, 405, 413, 415, 422, 429, 500)
_SAID: Mapping[int, str] = {
    304: "What you have (If-None-Match) still holds.",
    401: "Nobody is signed in.",
    403: "A scope or a role is missing.",
    404: "There is none of this name.",
    405: "Another method is needed.",
    409: "It does not fit what is stored.",
    412: "It has changed since it was read.",
    413: "Too much was sent.",
    415: "The body is no JSON.",
    422: "The request is not understood.",
    429: "Too many requests.",
    500: "Our fault.",
}
_DONE: Mapping[int, str] = {
    200: "What was asked for.",
    201: "It is written down: this is it.",
    204: "It is done.",
}
_ETAG = {
    "ETag": {
        "description": "Names this state of what is answered, to the byte (RFC 9110).",
        "required": True,
        "schema": {"type": "string", "pattern": '^"[0-9a-f]{32}"$'},
    }
}
_LINK = {
    "Link": {
        "description": "Where the list goes on, rel=next (RFC 8288); not there at its end.",
        "schema": {"type": "string"},
    }
}
_LOCATION = {
    "Location": {
        "description": "Where what was made can be read.",
        "required": True,
        "schema": {"type": "string", "format": "uri-reference"},
    }
}
_OF_STATUS: Mapping[int, dict[str, Any]] = {
    401: {
        "WWW-Authenticate": {"description": "How to be known.", "schema": {"type": "string"}}
    },
    405: {"Allow": {"description": "The methods it takes.", "schema": {"type": "string"}}},
    429: {"Retry-After": {"description": "Seconds to wait.", "schema": {"type": "string"}}},
}


def reads(
    router: APIRouter,
    path: str,
    answer: Any,
    *,
    problems: Sequence[int] = (),
    listed: bool = False,
) -> Callable[[Endpoint], Endpoint]:
    """Enter an operation that changes nothing; ``listed``: it is given in parts."""
    headers = {**_ETAG, **(_LINK if listed else {})}
    return _entered(router, "GET", path, answer, 200, headers, (304, *problems), Scope.READ)


def acts(
    router: APIRouter,
    path: str,
    answer: Any,
    scope: Scope,
    *,
    status: int = 200,
    method: str = "POST",
    problems: Sequence[int] = (),
) -> Callable[[Endpoint], Endpoint]:
    """Enter an operation that changes something, or asks with a body."""
    headers = {201: {**_ETAG, **_LOCATION}, 200: _ETAG}.get(status, {})
    return _entered(router, method, path, answer, status, headers, problems, scope)


def _entered(
    router: APIRouter,
    method: str,
    path: str,
    answer: Any,
    status: int,
    headers: Mapping[str, Any],
    problems: Sequence[int],
    scope: Scope,
) -> Callable[[Endpoint], Endpoint]:
    told: dict[int | str, dict[str, Any]] = {
        each: _problem(each) for each in sorted({*_ALWAYS, *problems})
    }
    told[status] = {"description": _DONE[status], "headers": dict(headers)}

    def enter(endpoint: Endpoint) -> Endpoint:
        router.add_api_route(
            path,
            endpoint,
            methods=[method],
            status_code=status,
            response_model=answer,
            responses=told,
            operation_id=endpoint.__name__,
            summary=_summary(endpoint),
            description=_rest(endpoint),
            openapi_extra={"security": _security(scope, changes=method != "GET")},
        )
        return endpoint

    return enter


def _summary(endpoint: Callable[..., Any]) -> str:
    return (endpoint.__doc__ or "").partition("\n")[0].rstrip(".")


def _rest(endpoint: Callable[..., Any]) -> str:
    lines = (endpoint.__doc__ or "").partition("\n")[2].strip().splitlines()
    return "\n".join(line.strip() for line in lines) or _summary(endpoint) + "."


def _problem(status: int) -> dict[str, Any]:
    if status == 304:
        return {"description": _SAID[304], "headers": _ETAG}
    schema = {"$ref": "#/components/schemas/Problem"}
    return {
        "description": _SAID[status],
        "content": {MEDIA_TYPE: {"schema": schema}},
        "headers": _OF_STATUS.get(status, {}),
    }


def _security(scope: Scope, *, changes: bool) -> list[dict[str, list[str]]]:
    person: dict[str, list[str]] = {SESSION: []}
    return [{TOKEN: [scope.value]}, {**person, GUARD: []} if changes else person]
