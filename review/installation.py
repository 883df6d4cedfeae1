"""What an installation is besides its store: its files, and what they take up. ``deploy/`` gathers it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Sizes:
    """What is stored, and what is free [bytes]; None: there is no such thing, or it cannot be asked."""

    database: int | None = None
    log: int | None = None
    archive: int | None = None
    free: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Installation:
    """Where things are; empty: there is none. ``sizes`` looks anew each time."""

    settings_file: str = ""
    fleet_file: str = ""
    people_file: str = ""
    store: str = ""
    archive: str = ""
    sizes: Callable[[], Sizes] = Sizes
