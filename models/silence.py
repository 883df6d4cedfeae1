"""A truck that was moving and then sent nothing: its gateway, not its driver, has stopped.

A gap after the truck stood still is parking. What the stored samples say of a gap is final only
when no backlog can come any more; while the gap is open, the watch on the clock raises the same
episode.
"""

from __future__ import annotations

from models.compiled import compiled
from models.detector import Truck
from models.layout import Layout
from models.silence_words import words

__all__ = ["EVIDENCE", "KIND", "SilenceParams", "silent_since_ms", "trailing_onset_ms", "words"]

KIND = "gateway_silent"

EVIDENCE = ("quiet_minutes",)
"""Names of the numbers that a transition of this kind carries."""


class SilenceParams(Layout):
    """How long a moving truck may be quiet [s]."""

    silent_after_s: float


@compiled
def silent_since_ms(params: SilenceParams, truck: Truck) -> int:
    """Give the onset [ms] of the silence that the newest sample has ended, 0 if there was none."""
    view = truck.latest
    if view.gap_s <= params.silent_after_s or view.was_moving != 1:
        return 0
    return view.time_ms - round(view.gap_s * 1000.0) + int(params.silent_after_s * 1000.0)


def trailing_onset_ms(
    last_ms: int, *, moving: bool, silent_after_s: float, now_ms: int
) -> int | None:
    """Give the onset [ms] of a silence that still goes on at ``now_ms``, None if there is none."""
    onset_ms = last_ms + int(silent_after_s * 1000.0)
    return onset_ms if moving and now_ms > onset_ms else None
