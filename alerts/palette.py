"""The colours of our pages: by day, by night, and the bands that carry a priority.

A ground and the ink on it are always set together, so that a mail program that knows nothing of
night keeps both. Every pair has a contrast of 4.5 or more (WCAG 2, success criterion 1.4.3).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from models.transition import Priority


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """What stands on what."""

    ground: str
    ink: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Palette:
    """The colours of a page: an ``_ink`` stands on its namesake, the others on ground and card."""

    ground: str
    card: str
    ink: str
    soft: str
    line: str
    link: str
    warn: str
    warn_ink: str
    warn_line: str
    press: str
    press_ink: str


LIGHT = Palette(
    ground="#f3f1ec",
    card="#ffffff",
    ink="#1f2328",
    soft="#515861",
    line="#cfcbc2",
    link="#0060a8",
    warn="#fff1cc",
    warn_ink="#3d2b00",
    warn_line="#d9ac33",
    press="#0060a8",
    press_ink="#ffffff",
)

DARK = Palette(
    ground="#16181b",
    card="#22262b",
    ink="#eceae4",
    soft="#b3b8bf",
    line="#454b53",
    link="#8cc4f5",
    warn="#3a2f10",
    warn_ink="#ffe7a6",
    warn_line="#8a6d1c",
    press="#8cc4f5",
    press_ink="#0e1a24",
)

BANDS: Mapping[str, Band] = {
    "critical": Band(ground="#9b1c12", ink="#ffffff"),
    "high": Band(ground="#b2470a", ink="#ffffff"),
    "medium": Band(ground="#f0b429", ink="#2b1f00"),
    "low": Band(ground="#2f5f8a", ink="#ffffff"),
    "over": Band(ground="#1f6b45", ink="#ffffff"),
    "report": Band(ground="#33414e", ink="#ffffff"),
}
"""Each comes with its word: nothing rests on colour alone. The same by day and by night."""


def band_of(priority: Priority, *, urgent: bool) -> str:
    """Name the band of an alarm: by its priority while it stands, else that it is over."""
    return priority.name.lower() if urgent else "over"
