"""Answers: JSON with a strong ETag, 304 where nothing has changed, the link to what follows."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from types import MappingProxyType
from urllib.parse import urlencode

from pydantic import BaseModel
from starlette.requests import Request
from starlette.responses import Response

from review.api.cursor import Cursor
from review.api.refusing import Refused

KEPT = "private, no-cache"
"""What answers say of caches: keep them for yourself, and ask each time whether they still hold."""

VARY = "Authorization, Cookie"

_NONE: Mapping[str, str] = MappingProxyType({})


def answered(
    request: Request, said: BaseModel, *, headers: Mapping[str, str] = _NONE
) -> Response:
    """Answer a question, or say that what the client keeps still holds (RFC 9110, section 13.1.2)."""
    return answered_bytes(request, said.model_dump_json().encode(), headers=headers)


def answered_bytes(
    request: Request, body: bytes, *, headers: Mapping[str, str] = _NONE
) -> Response:
    """Answer with JSON that is written already."""
    tag = etag(body)
    all_headers = {"ETag": tag, "Cache-Control": KEPT, "Vary": VARY, **headers}
    if _names(request.headers.get("if-none-match", ""), tag, weakly=True):
        return Response(status_code=304, headers=all_headers)
    return Response(body, 200, all_headers, "application/json")


def made(said: BaseModel, *, where: str) -> Response:
    """Answer that something new was written down, and where it is."""
    body = said.model_dump_json().encode()
    headers = {"Location": where, "ETag": etag(body), "Cache-Control": "no-store"}
    return Response(body, 201, headers, "application/json")


def unchanged(request: Request, said: BaseModel) -> None:
    """Go on only where what is to be changed is as the client has seen it (RFC 9110, section 13.1.1).

    Raises
    ------
    Refused
        The client's ``If-Match`` is that of another state.
    """
    asked = request.headers.get("if-match")
    if asked is None or asked.strip() == "*":
        return
    tag = etag(said.model_dump_json().encode())
    if not _names(asked, tag, weakly=False):
        raise Refused(
            "changed-since",
            "it has changed since you read it; read it again, then decide",
            headers={"ETag": tag},
        )


def etag(body: bytes) -> str:
    """Give the strong validator of an answer: the hash of all of its bytes."""
    return f'"{hashlib.sha256(body).hexdigest()[:32]}"'


def links(request: Request, next_: Cursor | None) -> Mapping[str, str]:
    """Give the header that leads to what follows in a list (RFC 8288); nothing at its end."""
    if next_ is None:
        return _NONE
    kept = [pair for pair in request.query_params.multi_items() if pair[0] != "cursor"]
    query = urlencode([*kept, ("cursor", str(next_))])
    return {"Link": f'<{request.url.path}?{query}>; rel="next"'}


def _names(listed: str, tag: str, *, weakly: bool) -> bool:
    """Say whether a list of validators has this one; ``weakly``: one marked weak counts too."""
    each = [one.strip() for one in listed.split(",")]
    if weakly:
        return "*" in each or tag in [one.removeprefix("W/") for one in each]
    return tag in each
