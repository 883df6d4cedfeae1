"""Whether a form was sent from one of our own pages: browsers say where it came from."""

from __future__ import annotations

from starlette.requests import Request


def from_elsewhere(request: Request, origins: frozenset[str]) -> bool:
    """Say whether another site sent it (Fetch Metadata; RFC 6454); ``origins``: our addresses outside."""
    site = request.headers.get("sec-fetch-site", "same-origin")
    origin = request.headers.get("origin", "null")
    own = {*origins, f"{request.url.scheme}://{request.url.netloc}"}
    # "null" is what a browser says of a page that asks to be named to nobody, as ours do.
    return site not in ("same-origin", "none") or origin not in {*own, "null"}
