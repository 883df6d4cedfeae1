"""What the API says when it does not do what was asked: problem details (RFC 9457)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Annotated
from urllib.parse import quote

from pydantic import Field
from starlette.requests import Request
from starlette.responses import Response

from review.api.problem_kinds import BY_STATUS, KINDS, Kind
from review.api.shape import Shape

MEDIA_TYPE = "application/problem+json"
"""RFC 9457, section 6.1."""

Reference = Annotated[str, Field(json_schema_extra={"format": "uri-reference"})]


class Wrong(Shape):
    """One thing that is wrong."""

    where: str
    """Where in the request: `body.volume_l`, `query.limit`, `path.truck`."""
    what: str
    """What is wrong with it, and how to mend it."""


class Problem(Shape):
    """Why something was not done (RFC 9457)."""

    type: Reference
    """The kind of problem: the address of what explains it."""
    title: str
    """The kind of problem, in words."""
    status: int
    """The HTTP status, once more."""
    detail: str
    """What is wrong here, and how to mend it."""
    instance: Reference
    """The path that was asked for."""
    errors: list[Wrong]
    """Each single thing that is wrong; empty where the detail says it all."""


class Refused(Exception):
    """What was asked is not done; ``name`` is that of the kind of problem."""

    def __init__(
        self,
        name: str,
        detail: str,
        *,
        errors: Sequence[Wrong] = (),
        headers: Mapping[str, str] = MappingProxyType({}),
    ) -> None:
        super().__init__(detail)
        self.kind = KINDS[name]
        self.detail = detail
        self.errors = tuple(errors)
        self.headers = headers


def told(request: Request, refused: Refused) -> Response:
    """Answer with problem details."""
    return _problem(request, refused.kind, refused.detail, refused.errors, refused.headers)


def told_status(
    request: Request, status: int, headers: Mapping[str, str] | None = None
) -> Response:
    """Answer with the problem details that a bare status stands for."""
    kind = BY_STATUS.get(status, KINDS["our-fault"])
    return _problem(request, kind, kind.meaning, (), headers or {})


def _problem(
    request: Request,
    kind: Kind,
    detail: str,
    errors: Sequence[Wrong],
    headers: Mapping[str, str],
) -> Response:
    said = Problem(
        type=kind.address,
        title=kind.title,
        status=kind.status,
        detail=detail,
        instance=quote(request.url.path),
        errors=list(errors),
    )
    return Response(said.model_dump_json(), kind.status, dict(headers), MEDIA_TYPE)
