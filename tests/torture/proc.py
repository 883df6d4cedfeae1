"""What the system says of a process: memory, handles, threads, processor time (``man 5 proc``)."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

_TICKS_PER_S = os.sysconf("SC_CLK_TCK")


@dataclass(frozen=True, slots=True, kw_only=True)
class Usage:
    """One look at a process."""

    rss_mb: float
    threads: int
    handles: int
    cpu_s: float


def usage(pid: int) -> Usage:
    """Look at a process."""
    place = Path("/proc") / str(pid)
    status = dict(
        line.split(":", 1)
        for line in (place / "status").read_text().splitlines()
        if ":" in line
    )
    after_name = (place / "stat").read_text().rpartition(")")[2].split()
    user, system = after_name[11:13]
    return Usage(
        rss_mb=int(status["VmRSS"].split()[0]) / 1024.0,
        threads=int(status["Threads"]),
        handles=sum(1 for _ in (place / "fd").iterdir()),
        cpu_s=(int(user) + int(system)) / _TICKS_PER_S,
    )
