"""What holds for every answer of the web server: headers, the size of a request, no crash.

Plain ASGI: around the whole site, so that nothing that is added to it can forget one of these.
"""

from __future__ import annotations

import structlog
from starlette.datastructures import MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from review.web import pages
from review.web.office import said
from review.web.pages import STYLE_HASH

log = structlog.get_logger()

BODY_BYTES = 65_536
"""A longer request is refused: the answer to a notice of five hundred alarms has some 12 kB."""

HEADERS = {
    "Content-Security-Policy": (
        f"default-src 'none'; style-src 'self' 'sha256-{STYLE_HASH}'; script-src 'self'; "
        "img-src 'self' data:; connect-src 'self'; form-action 'self'; "
        "base-uri 'none'; frame-ancestors 'none'"
    ),
    "Referrer-Policy": "no-referrer",  # the address is the key: no other site may learn it
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "X-Robots-Tag": "noindex, nofollow, noarchive",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
    "X-Permitted-Cross-Domain-Policies": "none",
}

BY_HTTPS = "max-age=31536000"
"""What an answer by https says of the next year: come by https alone (RFC 6797; never said in the clear, its
section 7.2). Of neighbours in the same domain it says nothing: they may be somebody else's."""

NOT_KEPT = "no-store"
"""What an answer says of caches unless it says something itself."""


class Guard:
    """Wraps the site."""

    def __init__(self, site: ASGIApp, *, body_bytes: int = BODY_BYTES) -> None:
        self._site = site
        self._body_bytes = body_bytes

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            return
        begun = False
        left = self._body_bytes

        async def guarded_send(message: Message) -> None:
            nonlocal begun
            if message["type"] == "http.response.start":
                begun = True
                headers = MutableHeaders(raw=message.setdefault("headers", []))
                headers.setdefault("Cache-Control", NOT_KEPT)
                headers.update(HEADERS)
                if scope["scheme"] == "https":
                    headers["Strict-Transport-Security"] = BY_HTTPS
            await send(message)

        async def guarded_receive() -> Message:
            nonlocal left
            message = await receive()
            left -= len(message.get("body", b""))
            if left < 0:
                raise HTTPException(413)
            return message

        try:
            await self._site(scope, guarded_receive, guarded_send)
        except ClientDisconnect:
            return  # whoever sent half a request and went: anybody may, and no fault of ours
        except Exception:
            # The path holds a key: only its first part is told.
            log.exception("web.failed", page=scope["path"].split("/")[1])
            if not begun:
                await said(500, OURS)(scope, receive, guarded_send)


OURS = pages.Message(
    title="That was our fault",
    lines=(
        "Something went wrong here, and nothing was written down. Try again in a minute.",
        "If it stays so: 'heatbook alarms' on the machine itself does the same, and the log says why.",
    ),
)
