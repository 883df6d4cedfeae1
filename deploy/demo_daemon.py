"""The demo's daemon: the real one, as a process of its own."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

STOP_LIMIT_S = 20.0

LISTENING = (b"daemon.started", b"web.started")
"""What it has logged once it listens, to trucks and to browsers."""


@contextmanager
def serving(settings: Path, out: IO[bytes]) -> Iterator[subprocess.Popen[bytes]]:
    """Run ``heatbook serve`` as a process of its own; it ends when its standard input closes."""
    command = "import heatbook; heatbook.main()"
    env = {
        name: value for name, value in os.environ.items() if not name.startswith("HEATBOOK_")
    }
    process = subprocess.Popen(  # noqa: S603 -- our own interpreter and code
        [
            sys.executable,
            "-c",
            command,
            "serve",
            "--config",
            str(settings),
            "--stop-at-end-of-input",
        ],
        stdin=subprocess.PIPE,
        stdout=out,
        stderr=out,
        start_new_session=True,  # Ctrl-C is for us; we then end the others in order
        env=env,
    )
    try:
        yield process
    finally:
        if process.stdin is not None:
            process.stdin.close()
        try:
            process.wait(STOP_LIMIT_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
