"""What this room needs of the store and of the clock; ``deploy/`` brings both."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Protocol

Clock = Callable[[], int]
"""Gives Unix time [ms]."""


class Readable(Protocol):
    """A store that can be read: the daemon's own, or one beside it."""

    def read(self) -> AbstractContextManager[sqlite3.Connection]:
        """Give a read-only connection for a short while."""
        ...


class Store(Readable, Protocol):
    """A store that can be written too."""

    def write(self) -> AbstractContextManager[sqlite3.Connection]:
        """Give the writer inside one transaction: committed at the end, rolled back on any error."""
        ...
