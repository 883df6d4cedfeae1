"""What ``heatbook check`` says of the web server: can it listen, who reaches it how, who may come in."""

from __future__ import annotations

import errno
import http.client
import socket
import sqlite3
from collections.abc import Iterator
from pathlib import Path

from alerts.phrases import number_of
from deploy.broker_check import Finding
from deploy.clock import wall_ms
from deploy.database import StoreError, read_only
from deploy.no_port import mend_no_port, why_no_port
from deploy.settings import Loaded
from deploy.web.section import Web, loopback
from review.access import accounts
from review.access.visitor import Role

TIMEOUT_S = 2.0
"""How long whoever has the port may take to say who they are [s]."""


def web_findings(loaded: Loaded) -> Iterator[Finding]:
    """Look at ``[web]``."""
    web = loaded.settings.web
    if web is None:
        yield Finding(
            level="good",
            what="no web server: no console, and no links in notices; [web] adds one",
        )
        return
    yield _port(web)
    yield from _reached(web)
    if web.console:
        yield from _accounts(loaded.settings.store.path)
    else:
        yield Finding(level="good", what="web: the console is turned off")


def _port(web: Web) -> Finding:
    where = f"web: {web.bind} port {web.port}"
    try:
        family = socket.AF_INET6 if ":" in web.bind else socket.AF_INET
        socket.create_server((web.bind, web.port), family=family).close()
    except OSError as error:
        if error.errno == errno.EADDRINUSE and _is_ours(web):
            return Finding(level="good", what=f"{where}: the daemon listens there")
        return Finding(
            level="fault",
            what=f"{where}: {why_no_port(error)}",
            mend=mend_no_port(error, instead="put a proxy there"),
        )
    return Finding(level="good", what=f"{where} is free")


def _is_ours(web: Web) -> bool:
    """Ask whoever listens whether it is a Heatbook."""
    host = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(web.bind, web.bind)  # noqa: S104 - compared
    asking = http.client.HTTPConnection(host, web.port, timeout=TIMEOUT_S)
    try:
        asking.request("GET", "/robots.txt")
        return asking.getresponse().getheader("X-Robots-Tag", "").startswith("noindex")
    except (OSError, http.client.HTTPException):
        return False
    finally:
        asking.close()


def _reached(web: Web) -> Iterator[Finding]:
    if web.public_url:
        yield Finding(level="good", what=f"web: people reach it at {web.root}/")
    elif loopback(web.bind):
        yield Finding(
            level="good",
            what=f"web: reached from this machine alone, at http://{web.bind}:{web.port}/; without "
            "public_url notices have no links",
        )
    if not web.private:
        yield Finding(
            level="caution",
            what=f"web: it listens at {web.bind}, beyond this machine, and nothing says that it is "
            "reached by https: passwords and sessions cross the network in the clear",
            mend="Bind to 127.0.0.1 and put a proxy with a certificate before it, then set public_url "
            "to its https address",
        )
    elif web.origin.startswith("http:"):
        yield Finding(
            level="caution",
            what="web: public_url begins with http: passwords, sessions and links cross the network in "
            "the clear",
            mend="Put a proxy with a certificate before it",
        )


def _accounts(store: Path) -> Iterator[Finding]:
    if not store.exists():
        yield _FIRST
        return
    try:
        with read_only(store) as conn:
            known = conn.execute(
                "SELECT 1 FROM sqlite_schema WHERE name = 'account'"
            ).fetchone()
            found = accounts.listed(conn) if known else ()
    except (StoreError, sqlite3.Error):
        return  # said where the store is looked at
    if not found:
        yield _FIRST
        return
    able = [each for each in found if each.opens(wall_ms())]
    if any(each.role is Role.MANAGER for each in able):
        said = number_of(len(able), "account lets", "accounts let")
        yield Finding(level="good", what=f"console: {said} somebody in")
    else:
        yield Finding(
            level="fault",
            what="console: no manager can sign in",
            mend="'heatbook accounts list' shows why; 'heatbook accounts new-password' or 'enable' "
            "helps",
        )


_FIRST = Finding(
    level="good",
    what="console: nobody has an account; the first start makes one and prints its one-time password",
)
