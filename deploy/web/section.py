"""``[web]``: the daemon's own web server."""

from __future__ import annotations

import ipaddress
from typing import Annotated, Self
from urllib.parse import urlsplit

from pydantic import Field, model_validator

from deploy.section import Section
from review.access.sessions import Rules


class Web(Section):
    """``[web]``: where it listens, and how it is reached from outside; this table alone turns it on.

    Without ``public_url`` there are no links in notices, for nobody could follow them.
    """

    bind: str = "127.0.0.1"
    port: Annotated[int, Field(ge=1, le=65_535)] = 8480
    public_url: str = ""
    plain_http: bool = False
    link_days: Annotated[float, Field(gt=0.0, le=365.0)] = 14.0
    console: bool = True
    session_idle_hours: Annotated[float, Field(ge=0.25, le=8_760.0)] = 24.0
    session_days: Annotated[float, Field(gt=0.0, le=365.0)] = 30.0

    @model_validator(mode="after")
    def _can_be_followed(self) -> Self:
        url = urlsplit(self.public_url)
        if not self.public_url:
            return self
        if url.scheme not in ("https", "http") or not url.hostname or url.query or url.fragment:
            msg = f"public_url is {self.public_url!r}; write it like https://fleet.northfold.example"
            raise ValueError(msg)
        if url.scheme == "http" and not self.plain_http:
            msg = (
                "public_url begins with http: whoever listens on the way can use the links. Put a proxy "
                "with a certificate before it, or set plain_http = true in a network you trust"
            )
            raise ValueError(msg)
        return self

    @property
    def root(self) -> str:
        """What the address of every page begins with."""
        return self.public_url.rstrip("/")

    @property
    def origin(self) -> str:
        """The public address without its path (RFC 6454), empty where there is none."""
        url = urlsplit(self.public_url)
        return f"{url.scheme}://{url.netloc}" if url.netloc else ""

    @property
    def origins(self) -> frozenset[str]:
        """The addresses, without path, from which our own pages come to people outside."""
        return frozenset({self.origin} - {""})

    @property
    def private(self) -> bool:
        """Whether what people send stays on this machine, or goes on by https alone as far as we are told."""
        return loopback(self.bind) or self.origin.startswith("https:")

    def session_rules(self) -> Rules:
        """Give how long somebody stays signed in."""
        return Rules(
            idle_ms=round(self.session_idle_hours * 3_600_000),
            longest_ms=round(self.session_days * 86_400_000),
        )

    @property
    def lifetime_ms(self) -> int:
        """How long an answer to a notice is taken [ms]."""
        return round(self.link_days * 86_400_000)


def loopback(host: str) -> bool:
    """Say whether an address is reached from this machine alone."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
