"""Where a library may connect to, looked at as it connects.

A service's library resolves and dials by itself, follows redirects and takes proxies. Python tells its audit
hooks (PEP 578) of each connection before it is made, with the very address: nothing is looked up again
between the look and the call, whatever the name or the redirect. It holds our own libraries to the rules;
against code that means harm it would not.
"""

from __future__ import annotations

import socket
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from functools import cache
from typing import Any

from alerts.channels.addresses import acceptable, resolve


class NotThere(OSError):
    """A connection that is not made, for where it would lead."""


@dataclass(slots=True, kw_only=True)
class Hold:
    """What is held to; ``refused``: a connection was not made."""

    allow_private: bool
    refused: bool = False


_hold: ContextVar[Hold | None] = ContextVar("hold", default=None)

_CALLS = frozenset({"socket.connect", "socket.sendto", "socket.sendmsg"})
_OTHER_PROGRAMS = frozenset({"subprocess.Popen", "os.system", "os.posix_spawn", "os.exec"})


@contextmanager
def held(*, allow_private: bool) -> Iterator[Hold]:
    """Hold all that connects in this context, and in threads that copy it, to the rules of ``addresses``.

    ``allow_private``: also into the own network and to this machine's own services; never to where cloud
    machines keep their credentials.
    """
    _listen()
    hold = Hold(allow_private=allow_private)
    before = _hold.set(hold)
    try:
        yield hold
    finally:
        _hold.reset(before)


@cache
def _listen() -> None:
    """Begin to look, once: a hook stays for good."""
    sys.addaudithook(_look)


def _look(event: str, given: tuple[Any, ...]) -> None:
    hold = _hold.get()
    if hold is None:
        return
    if event in _CALLS:
        line, address = given[0], given[1]
        # A datagram without an address goes where its socket was connected to.
        fine = address is None or _may(line, address, hold)
    else:
        fine = event not in _OTHER_PROGRAMS or hold.allow_private
    if not fine:
        hold.refused = True
        raise NotThere("its address is one that nothing is sent to")


def _may(line: socket.socket, address: Any, hold: Hold) -> bool:
    if line.family not in (socket.AF_INET, socket.AF_INET6):
        return hold.allow_private  # a service of this machine
    host, port = address[0], address[1]
    try:
        return acceptable(host, allow_private=hold.allow_private)
    except ValueError:
        # A name, which would be looked up after us: another answer then could lead elsewhere.
        found = resolve(host, port)
        return hold.allow_private and all(
            acceptable(each, allow_private=True) for each in found
        )
