"""Waiting for a thread to end that was asked to."""

from __future__ import annotations

import threading


def joined(thread: threading.Thread, timeout_s: float) -> bool:
    """Wait until a thread has ended, if it ever began; false when that took longer than the time."""
    if thread.is_alive():
        thread.join(timeout_s)
    return not thread.is_alive()
