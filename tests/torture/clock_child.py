"""The daemon on a machine whose clock the experiment sets: ``clock_child.py DIALS COMMAND…``.

Only the two functions of ``deploy.clock`` that ask the system are replaced; all else is the daemon's own.
"""

from __future__ import annotations

import mmap
import struct
import sys
import time
from dataclasses import dataclass
from pathlib import Path

DIALS = struct.Struct("qq")
"""How much time has passed more than really did, and how far the clock is set wrong [ms]."""


@dataclass(slots=True)
class Dials:
    """What the experiment turns, in a file that both processes see."""

    path: Path

    def turn(self, *, passed_ms: int, wrong_ms: int) -> None:
        """Set both."""
        if not self.path.exists():
            self.path.write_bytes(bytes(DIALS.size))
        with self.path.open("r+b") as file:
            file.write(DIALS.pack(passed_ms, wrong_ms))


def main() -> None:
    """Replace the clock, then be the command line."""
    from review.model_version import keep_compiled  # noqa: PLC0415 - before the models, as in heatbook

    keep_compiled()
    from deploy import cli, clock  # noqa: PLC0415

    with Path(sys.argv[1]).open("rb") as file:
        seen = mmap.mmap(file.fileno(), DIALS.size, access=mmap.ACCESS_READ)

    def dials() -> tuple[int, int]:
        passed_ms, wrong_ms = DIALS.unpack(seen[:])
        return int(passed_ms), int(wrong_ms)

    def wall_ms() -> int:
        return time.time_ns() // 1_000_000 + sum(dials())

    def uptime_ms() -> int:
        return time.monotonic_ns() // 1_000_000 + dials()[0]

    clock.wall_ms, clock.uptime_ms = wall_ms, uptime_ms
    sys.argv = ["heatbook", *sys.argv[sys.argv.index("serve") :]]
    cli.main()


if __name__ == "__main__":
    main()
