"""Looks that are taken again and again, each in a transaction of its own: one that fails stops no other."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from typing import TypeVar

import structlog

from deploy.database import Database, store_failed

log = structlog.get_logger()

_Found = TypeVar("_Found")


class Apart:
    """Takes looks. A fault of ours is said once, until the look succeeds again."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self._failed: set[str] = set()

    def take(self, name: str, look: Callable[[sqlite3.Connection], _Found]) -> _Found | None:
        """Take a look by its name; None where we failed, and then nothing was written.

        Raises
        ------
        sqlite3.DatabaseError
            The store cannot be written now.
        """
        try:
            with self._database.write() as tx:
                found = look(tx)
        except Exception as error:
            if store_failed(error):
                raise
            if name not in self._failed:
                log.exception("look.failed", look=name)
            self._failed.add(name)
            return None
        self._failed.discard(name)
        return found
