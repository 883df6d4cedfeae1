"""A truck that cannot be computed stands still; it costs neither daemon, other trucks, nor samples."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import structlog

from deploy.database import store_failed
from ingest.held import Held

log = structlog.get_logger()


def or_stopped(truck: Held, compute: Callable[[Held], Held]) -> Held:
    """Give a truck as it is computed at the start; where that fails, one whose samples are only stored.

    A month of its history cannot be read, or it is a fault of ours. It is tried again at the next start.

    Raises
    ------
    sqlite3.DatabaseError
        The store cannot be used.
    """
    try:
        return compute(truck)
    except Exception as error:
        if store_failed(error):
            raise
        log.exception("truck.stopped", vehicle=truck.name)
        return replace(truck, stopped=True)
