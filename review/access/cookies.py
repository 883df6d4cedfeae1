"""The cookies of the console (RFC 6265bis): HttpOnly, SameSite=Lax, for the whole site and no other.

Reached by https they are Secure, and named ``__Host-``: no neighbour of the same domain, and nobody on a way
in the clear, can put one of theirs in their place (section 4.1.3.2 there).
"""

from __future__ import annotations

from urllib.parse import urlsplit

from starlette.requests import Request
from starlette.responses import Response

SESSION = "heatbook"
"""Whose session it is."""

BROWSER = "heatbook-browser"
"""With which browser somebody has signed in before."""

FORM = "heatbook-form"
"""Goes with the sign-in form, where there is no session yet that its secret could be of."""


def private(request: Request, origins: frozenset[str]) -> bool:
    """Say whether nobody on the way can read along: by https, also where a proxy says nothing of it."""
    if request.url.scheme == "https":
        return True
    host = request.headers.get("host", "").lower()
    return any(
        urlsplit(each).scheme == "https" and urlsplit(each).netloc.lower() == host
        for each in origins
    )


def read(request: Request, name: str, origins: frozenset[str]) -> str:
    """Read a cookie; empty where there is none."""
    return request.cookies.get(_named(name, private(request, origins)), "")


def write(
    request: Request,
    response: Response,
    name: str,
    value: str,
    *,
    origins: frozenset[str],
    lasts_ms: int,
) -> None:
    """Have the browser keep a cookie for so long; 0: no more."""
    secure = private(request, origins)
    response.set_cookie(
        _named(name, secure),
        value,
        max_age=lasts_ms // 1000,
        path="/",
        secure=secure,
        httponly=True,
        samesite="lax",
    )


def _named(name: str, secure: bool) -> str:
    return f"__Host-{name}" if secure else name
