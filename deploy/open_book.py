"""The service record of a store on disk, opened for writing."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from deploy.database import beside_daemon
from models.fleet import Fleet
from review.record_book import Book


@contextmanager
def open_book(path: Path, fleet: Fleet, *, who: str, now_ms: int) -> Iterator[Book]:
    """Open the record of a store, beside a daemon or not; all that is entered counts, or nothing.

    Raises
    ------
    deploy.database.StoreError
        There is no such store.
    """
    with beside_daemon(path) as tx:
        yield Book(tx=tx, fleet=fleet, who=who, now_ms=now_ms)
