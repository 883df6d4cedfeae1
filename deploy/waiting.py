"""Wait for a condition, not for a time."""

from __future__ import annotations

import time
from collections.abc import Callable

STEP_S = 0.01


def until(condition: Callable[[], bool], timeout_s: float) -> bool:
    """Look again and again; True as soon as it holds, False when time is up."""
    deadline = time.monotonic() + timeout_s
    while not condition():
        if time.monotonic() > deadline:
            return False
        time.sleep(STEP_S)
    return True
