"""Why nothing can listen at an address, and how to mend it."""

from __future__ import annotations

import errno
import os

_MEND = {
    errno.EADDRINUSE: "Stop the other program that listens there, or choose another port",
    errno.EADDRNOTAVAIL: "bind must be an address of this machine, such as 127.0.0.1",
    errno.EACCES: "Ports below 1024 need rights that the daemon should not have: {instead}",
}


def why_no_port(error: OSError) -> str:
    """Say why; an address that no resolver knows has no number of the system."""
    number = error.errno or 0
    return os.strerror(number) if number > 0 else "no address of that name"


def mend_no_port(error: OSError, *, instead: str = "choose a higher one") -> str:
    """Say how to mend it; ``instead`` of a port that is reserved."""
    mend = _MEND.get(error.errno or 0, "Choose another bind or port")
    return mend.format(instead=instead)
