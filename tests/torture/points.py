"""The points of its work at which a daemon can be made to die, put in from outside.

Each is a function of the system that is wrapped in the process that is to die: nothing of this is in the
daemon itself. ``BROKEN`` holds the same for faults: what the experiments must find when it is so.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Mapping
from functools import wraps
from typing import Any

import pyarrow.parquet as pq

import deploy.history_keeper
import deploy.pipeline
from alerts.channels.webhook import WebhookChannel
from deploy.history_move import HistoryMove
from deploy.pipeline import Pipeline
from ingest import sealed, sealing
from ingest.parquet_archive import ParquetArchive
from ingest.source import MqttSource

Die = Callable[[], None]

SLICE_ROWS = 5
"""So few rows go in one slice of a move here, that there are many."""

LOOKS_EVERY_S = 0.05
"""How often a move is looked for [s]; the daemon itself takes its time."""


def arm(name: str, nth: int) -> None:
    """Let this process die the ``nth`` time that it comes to a point."""
    deploy.history_keeper.EVERY_S = LOOKS_EVERY_S
    sealing.SLICE_ROWS = SLICE_ROWS
    left = nth

    def die() -> None:
        nonlocal left
        left -= 1
        if left == 0:
            os.kill(os.getpid(), signal.SIGKILL)

    POINTS[name](die)


def before(owner: Any, name: str) -> Callable[[Die], None]:
    """Put a call before a function of a class or module."""

    def put(call: Die) -> None:
        original = getattr(owner, name)

        @wraps(original)
        def wrapped(*args: Any, **kwargs: Any) -> Any:
            call()
            return original(*args, **kwargs)

        setattr(owner, name, wrapped)

    return put


def after(owner: Any, name: str) -> Callable[[Die], None]:
    """Put a call after a function of a class or module."""

    def put(call: Die) -> None:
        original = getattr(owner, name)

        @wraps(original)
        def wrapped(*args: Any, **kwargs: Any) -> Any:
            result = original(*args, **kwargs)
            call()
            return result

        setattr(owner, name, wrapped)

    return put


POINTS: Mapping[str, Callable[[Die], None]] = {
    "received": before(Pipeline, "commit"),
    "transaction": before(deploy.pipeline, "note_position"),
    "committed": before(MqttSource, "ack"),
    "acknowledged": after(MqttSource, "ack"),
    "notice_claimed": before(WebhookChannel, "deliver"),
    "notice_taken": after(WebhookChannel, "deliver"),
    "entry_transaction": after(deploy.pipeline, "take_up"),
    "entry_committed": after(Pipeline, "_take_up"),
    "month_written": after(pq, "write_table"),
    "month_renamed": after(ParquetArchive, "_write"),
    "month_kept": after(sealing, "keep"),
    "month_row": after(sealed, "enroll"),
    "slice": after(sealing, "clear"),
    "between_slices": before(HistoryMove, "_breathe"),
}
