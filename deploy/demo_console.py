"""The demo's console: where it is, who may sign in, and the browser of a desktop that shows it."""

from __future__ import annotations

import os
import socket
import sys
import webbrowser
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from deploy.clock import wall_ms
from deploy.database import Database
from review.access import accounts
from review.access.passwords import Passwords, one_time
from review.access.visitor import Role

LOOPBACK = "127.0.0.1"
USUAL_PORT = 8480
WHO = "Ines"


@dataclass(frozen=True, slots=True, kw_only=True)
class Door:
    """Where the console is on this machine, and the password of the one who may sign in."""

    port: int
    password: str

    @property
    def address(self) -> str:
        """What goes into a browser."""
        return f"http://{LOOPBACK}:{self.port}/"

    @property
    def words(self) -> str:
        """Say where it is and how to get in."""
        return f"{self.address}   name: {WHO}   password: {self.password}"


def door(store: Path) -> Door:
    """Choose a port and make the account of the demo, with a password of this one demo."""
    made = Door(port=_free_port(), password=one_time())
    with closing(Database(store, synchronous="off")) as database, database.write() as tx:
        accounts.add(
            tx,
            WHO,
            Role.MANAGER,
            Passwords().keep(made.password),
            now_ms=wall_ms(),
            one_time_until_ms=None,
        )
    return made


def show(address: str) -> bool:
    """Open the desktop's browser where there is a desktop; say whether that was tried."""
    desktop = sys.platform in ("darwin", "win32") or any(
        os.environ.get(name) for name in ("DISPLAY", "WAYLAND_DISPLAY")
    )
    return desktop and webbrowser.open(address)


def _free_port() -> int:
    for port in (USUAL_PORT, 0):
        with socket.socket() as trial:
            trial.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                trial.bind((LOOPBACK, port))
            except OSError:
                continue
            return int(trial.getsockname()[1])
    raise OSError("no free port on loopback")
