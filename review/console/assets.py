"""Style sheets and scripts: our own, and the chart library from its package.

Each is asked for with the hash of what it holds: a browser keeps it for good, and an upgrade is seen at once.
"""

from __future__ import annotations

import hashlib
import mimetypes
import re
from collections.abc import Mapping
from functools import cache
from importlib.metadata import distribution
from pathlib import Path

from jinja2 import Environment
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from alerts.palette import BANDS, DARK, LIGHT

FOLDER = Path(__file__).parent / "static"
FOREIGN = {
    "uplot.js": ("youplot", "youplot/vendor/uplot.iife.min.js"),
    "uplot.css": ("youplot", "youplot/vendor/uplot.min.css"),
}
"""Files of other packages that are served: by our name, the distribution and its path there."""

_IMPORT = re.compile(r'from "\./([a-z0-9.-]+\.js)"')

KEEP = "public, max-age=31536000, immutable"


@cache
def _all() -> Mapping[str, bytes]:
    own = {file.name: file.read_bytes() for file in FOLDER.iterdir() if file.is_file()}
    style = Environment(autoescape=False).from_string(own["console.css"].decode())  # noqa: S701 - a style sheet
    own["console.css"] = style.render(light=LIGHT, dark=DARK, bands=BANDS).encode()
    for name, (package, path) in FOREIGN.items():
        own[name] = Path(str(distribution(package).locate_file(path))).read_bytes()
    return {name: _with_imports(name, own) for name in own}


def _with_imports(name: str, files: Mapping[str, bytes]) -> bytes:
    """Give a file; a script with what it imports asked for by hash, too."""
    if not name.endswith(".js"):
        return files[name]

    def addressed(found: re.Match[str]) -> str:
        body = _with_imports(found[1], files)
        return f'from "{_address(found[1], body)}"'

    return _IMPORT.sub(addressed, files[name].decode()).encode()


def _address(name: str, body: bytes) -> str:
    return f"/static/{name}?is={hashlib.sha256(body).hexdigest()[:12]}"


@cache
def asset(name: str) -> str:
    """Give the address of a file."""
    return _address(name, _all()[name])


def static_route() -> Route:
    """Give the route that serves them."""
    return Route("/static/{name}", _serve)


def _serve(request: Request) -> Response:
    body = _all().get(request.path_params["name"])
    if body is None:
        raise HTTPException(404)
    kind = mimetypes.guess_type(request.path_params["name"])[0] or "application/octet-stream"
    return Response(body, media_type=kind, headers={"Cache-Control": KEEP})
