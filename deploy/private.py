"""Files that nobody else on this machine may read: made so, and found where they are not.

The store holds who may sign in, what notices said and to whom, and the key that signs links.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

FOLDER, UMASK = 0o700, 0o077
"""Mode of a folder of ours; what the daemon takes away from the mode of all that it makes."""


def make_file(path: Path) -> None:
    """Make an empty file for our user alone, where there is none; SQLite gives its log the same mode."""
    with suppress(OSError):  # whoever opens it says why it cannot be
        os.close(os.open(path, os.O_CREAT | os.O_RDWR | os.O_CLOEXEC, 0o600))


@contextmanager
def alone() -> Iterator[None]:
    """Make all that is made meanwhile for our user alone; for a command, which has one thread."""
    before = os.umask(UMASK)
    try:
        yield
    finally:
        os.umask(before)


def exposed(paths: Iterable[Path]) -> list[Path]:
    """Give those of these files and folders that others on this machine can read."""
    return [path for path in paths if _readable(path)]


def _readable(path: Path) -> bool:
    try:
        modes = [each.stat().st_mode for each in (path, *path.resolve().parents)]
    except OSError:  # not there yet, or not for us to look at either
        return False
    own, *above = modes
    wanted = stat.S_IXOTH if stat.S_ISDIR(own) else stat.S_IROTH
    return bool(own & wanted) and all(mode & stat.S_IXOTH for mode in above)
