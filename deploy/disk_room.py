"""How much room is left in a folder, without waiting for one that does not answer.

The archive may lie on another machine. While that is away a look at its folder may take for ever, and who
looks commits samples, or answers whether the daemon lives.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Mapping
from pathlib import Path

PATIENCE_S = 0.5
"""How long a folder may take to answer [s]; own choice. One that did not is left out until it has."""

_hanging: dict[Path, threading.Thread] = {}


def free_bytes(folders: Mapping[str, Path]) -> dict[str, int]:
    """Give the room that is left for us in each folder; folders of one disk are one, by the first name."""
    found: dict[int, tuple[str, int]] = {}
    for name, folder in folders.items():
        room = _room(folder)
        if room is not None:  # that it is not there is for whoever writes there to say
            disk, free = room
            found.setdefault(disk, (name, free))
    return dict(found.values())


def _room(folder: Path) -> tuple[int, int] | None:
    """Give the disk that a folder is on and the room there; None where it does not say."""
    before = _hanging.get(folder)
    if before is not None and before.is_alive():
        return None
    said: list[tuple[int, int]] = []

    def look() -> None:
        try:
            disk, room = folder.stat().st_dev, os.statvfs(folder)
        except OSError:
            return
        said.append((disk, room.f_bavail * room.f_frsize))

    asked = threading.Thread(target=look, name="room", daemon=True)
    try:
        asked.start()
    except RuntimeError:  # no thread is to be had
        return None
    asked.join(PATIENCE_S)
    if asked.is_alive():
        _hanging[folder] = asked
    return said[0] if said else None
