"""What the service manager is told: ready, how it stands, that it still gets on, that it ends.

The protocol of sd_notify(3), as its manual page has it: datagrams to the socket in ``NOTIFY_SOCKET``. Ready
means that messages are taken as soon as the broker sends them; a broker that is away is said in the status
and is no reason to start again. The watchdog hears from us only while committer and network thread get on.
"""

from __future__ import annotations

import os
import socket
import threading
from collections.abc import Callable, Mapping

import structlog

from deploy.readiness import status
from deploy.signs import Signs, alive, well
from review.joined import joined

log = structlog.get_logger()

EVERY_S = 5.0
"""How often the status is looked at [s], or oftener where the watchdog asks for it."""

EXTEND_US = 120_000_000
"""How much more time for the start is asked for at each look [µs]: a large store takes minutes to read."""


class Herald:
    """Tells the service manager in a thread of its own, from before the store is opened to the end.

    Parameters
    ----------
    address
        Of the socket; one that begins with @ has no place in the file system.
    watchdog_s
        Within how long the watchdog wants to hear from us, None where there is none.
    """

    def __init__(self, address: str, watchdog_s: float | None) -> None:
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self._watched = watchdog_s is not None
        self._every_s = min(EVERY_S, EVERY_S if watchdog_s is None else watchdog_s / 2)
        self._signs: Callable[[], Signs] | None = None
        self._said = ""
        self._ready = False
        self._deaf = False
        self._wake = threading.Event()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="herald", daemon=True)

    def start(self) -> None:
        """Begin to tell; until there is a daemon to follow, that it starts."""
        self._thread.start()

    def follow(self, signs: Callable[[], Signs]) -> None:
        """Tell of this daemon from now on."""
        self._signs = signs
        self._wake.set()

    def look(self) -> None:
        """Look now, not at the next turn."""
        self._wake.set()

    def stop(self) -> bool:
        """Say that it ends; what the end takes is the daemon's."""
        self._stopping.set()
        self._wake.set()
        ended = joined(self._thread, EVERY_S)
        self._send(["STOPPING=1", "STATUS=ending"])
        return ended

    def _run(self) -> None:
        while not self._stopping.is_set():
            self._tell()
            self._wake.wait(self._every_s)
            self._wake.clear()

    def _tell(self) -> None:
        signs = self._signs() if self._signs else None
        if signs is None or signs.phase == "starting":
            self._send([f"EXTEND_TIMEOUT_USEC={EXTEND_US}", "STATUS=reading trucks"])
            return
        lines = []
        if not self._ready and signs.phase == "serving":
            lines.append("READY=1")
            self._ready = True
        if self._watched and well(alive(signs)):
            lines.append("WATCHDOG=1")
        said = status(signs)
        if said != self._said:
            lines.append(f"STATUS={said}")
            self._said = said
        if lines:
            self._send(lines)

    def _send(self, lines: list[str]) -> None:
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
                sock.settimeout(EVERY_S)
                sock.connect(self._address)
                sock.send("\n".join(" ".join(line.split("\n")) for line in lines).encode())
        except OSError as error:
            if not self._deaf:
                log.warning("manager.unreachable", reason=str(error))
            self._deaf = True
            return
        self._deaf = False


def herald_of(env: Mapping[str, str]) -> Herald | None:
    """Give the herald that the environment asks for; None where no service manager listens."""
    address = env.get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")):
        return None
    # The watchdog may be meant for another process, whose environment we have (sd_watchdog_enabled(3)).
    ours = env.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
    asked = env.get("WATCHDOG_USEC", "")
    watched = ours and asked.isdecimal() and int(asked) > 0
    return Herald(address, int(asked) / 1e6 if watched else None)
