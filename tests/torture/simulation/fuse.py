"""Where a simulated process meets the world: each such call may end it, or fail.

The calls are counted by this alone, so that a seed (or a number) says which of them it is.
"""

from __future__ import annotations

import os
import sqlite3
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pyarrow.parquet as pq

STORE_FAULTS = ("disk I/O error", "database or disk is full", "database is locked")
"""What SQLite says of a disk that fails, that is full, of a file that somebody else holds."""


class Crash(BaseException):
    """The process is dead from here on."""


@dataclass(slots=True)
class Fuse:
    """Counts calls; burns after ``left`` of them, and lets ``failing`` calls fail after ``sound``."""

    left: int | None = None
    sound: int = 0
    failing: int = 0
    fault: str = STORE_FAULTS[0]
    dead: bool = False
    calls: Counter[str] = field(default_factory=Counter)
    failed: Counter[str] = field(default_factory=Counter)
    armed: bool = False

    def pass_by(self, kind: str) -> None:
        """Count a call; raise when it is the one (what has no ``FAULTS`` can only be died over)."""
        if self.dead:
            raise Crash
        if not self.armed:
            return
        self.calls[kind] += 1
        if self.left is not None:
            self.left -= 1
            if self.left < 0:
                self.dead = True
                raise Crash
        if kind not in FAULTS:
            return
        if self.sound > 0:
            self.sound -= 1
        elif self.failing > 0:
            self.failing -= 1
            self.failed[kind] += 1
            raise FAULTS[kind](self.fault)

    def renew(self) -> None:
        """Begin a new process: nothing is to happen to it yet."""
        self.left, self.sound, self.failing, self.dead = None, 0, 0, False


def _os_error(_fault: str) -> Exception:
    return OSError(5, os.strerror(5))


FAULTS: Mapping[str, Callable[[str], Exception]] = {
    "sql": sqlite3.OperationalError,
    "sync": _os_error,
    "rename": _os_error,
    "write": _os_error,
    "send": _os_error,
}


def connection_of(fuse: Fuse) -> type[sqlite3.Connection]:
    """Give a class of connections whose statements pass by a fuse; only taking back never fails."""

    class Connection(sqlite3.Connection):
        def execute(self, sql: str, *given: Any) -> sqlite3.Cursor:
            if sql != "ROLLBACK" and not sql.startswith("PRAGMA"):
                fuse.pass_by("sql")
            return super().execute(sql, *given)

        def executemany(self, sql: str, *given: Any) -> sqlite3.Cursor:
            fuse.pass_by("sql")
            return super().executemany(sql, *given)

    return Connection


@contextmanager
def wired(fuse: Fuse) -> Iterator[None]:
    """Let what the system does to store and archive pass by a fuse."""
    connect, sync, rename = sqlite3.connect, os.fsync, Path.rename
    write_table = pq.write_table
    factory = connection_of(fuse)

    def connect_fused(*given: Any, **named: Any) -> sqlite3.Connection:
        made: sqlite3.Connection = connect(*given, **{"factory": factory, **named})
        return made

    def fsync_fused(handle: int) -> None:
        fuse.pass_by("sync")
        sync(handle)

    def rename_fused(path: Path, target: Path) -> Path:
        fuse.pass_by("rename")
        return rename(path, target)

    def write_fused(*given: Any, **named: Any) -> None:
        fuse.pass_by("write")
        write_table(*given, **named)

    with ExitStack() as stack:
        stack.enter_context(patch.object(sqlite3, "connect", connect_fused))
        stack.enter_context(patch.object(os, "fsync", fsync_fused))
        stack.enter_context(patch.object(Path, "rename", rename_fused))
        stack.enter_context(patch.object(pq, "write_table", write_fused))
        yield
