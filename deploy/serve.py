"""Run the daemon until told to stop."""

from __future__ import annotations

import os
import signal
import sys
import threading
from types import FrameType

import structlog

from alerts.routing import Plan
from deploy import private
from deploy.around import Around
from deploy.assembly import assemble
from deploy.attendants import Attendants
from deploy.daemon import Daemon
from deploy.settings import Settings
from models.fleet import Fleet

log = structlog.get_logger()


def serve(
    settings: Settings,
    fleet: Fleet,
    plan: Plan | None = None,
    around: Around | None = None,
    *,
    stop_at_end_of_input: bool = False,
) -> int:
    """Run until SIGTERM, SIGINT or a fault; give the exit code.

    ``stop_at_end_of_input``: also stop when standard input closes, so that a daemon started by
    another program never outlives it.

    Raises
    ------
    deploy.database.StoreError
        The store cannot be used.
    """
    os.umask(private.UMASK)
    stopping = threading.Event()

    def stop(_number: int, _frame: FrameType | None) -> None:
        stopping.set()

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, stop)
    if stop_at_end_of_input:
        threading.Thread(target=_wait_for_end, args=(stopping,), daemon=True).start()
    attendants = Attendants(settings, os.environ)
    daemon = assemble(settings, fleet, plan, around)
    attendants.follow(daemon)
    daemon.start()
    attendants.started()
    try:
        code = _stand_by(daemon, stopping)
    finally:
        attendants.stop()
        daemon.stop()
    return code


def _stand_by(daemon: Daemon, stopping: threading.Event) -> int:
    while not stopping.wait(0.5):
        if not daemon.alive:
            return 1
        if daemon.taken_over:
            log.error("daemon.gives_way", reason=daemon.taken_over)
            return 1
    return 0


def _wait_for_end(stopping: threading.Event) -> None:
    # Not through the buffer, which a thread that still waits would hold when the interpreter ends.
    while os.read(sys.stdin.fileno(), 4096):
        pass
    stopping.set()
