"""The store's log stays short however it is read, and who reads for hours is told of."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from itertools import count
from pathlib import Path

from structlog.testing import capture_logs

from deploy.database import Database
from deploy.log_length import EVERY_MS, LogLength

MOST_BYTES = 1_000_000
ROW = bytes(100_000)
ROWS = 100


def open_store(path: Path, most_bytes: int) -> Database:
    """Give a store that looks at its log after each commit."""
    clock = count(0, EVERY_MS)
    length = LogLength(path, most_bytes=most_bytes, uptime_ms=lambda: next(clock))
    store = Database(path, log_length=length)
    with store.write() as tx:
        tx.execute("CREATE TABLE body (bytes BLOB)")
    return store


def log_bytes(path: Path) -> int:
    return path.with_name(path.name + "-wal").stat().st_size


def write(store: Database) -> None:
    with store.write() as tx:
        tx.execute("INSERT INTO body VALUES (?)", (ROW,))


def begin(path: Path) -> sqlite3.Connection:
    conn = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
    conn.execute("BEGIN")
    conn.execute("SELECT count(*) FROM body").fetchone()
    return conn


@contextmanager
def always_read(path: Path) -> Iterator[None]:
    """Read without a pause: each reader is short, and ends after the next has begun."""
    stopping = threading.Event()

    def run() -> None:
        last = begin(path)
        while not stopping.is_set():
            next_one = begin(path)
            last.close()
            last = next_one
        last.close()

    thread = threading.Thread(target=run)
    thread.start()
    try:
        yield
    finally:
        stopping.set()
        thread.join()


def longest_when_always_read(path: Path, most_bytes: int) -> int:
    longest = 0
    with closing(open_store(path, most_bytes)) as store, always_read(path):
        for _ in range(ROWS):
            write(store)
            longest = max(longest, log_bytes(path))
    return longest


def test_readers_that_overlap_do_not_keep_the_log_growing(tmp_path: Path) -> None:
    let_go = longest_when_always_read(tmp_path / "let-go.db", 10**12)
    kept = longest_when_always_read(tmp_path / "kept.db", MOST_BYTES)
    # SQLite's own aim is 1,000 pages, 4 MB: what is let go must have grown past it to show anything.
    assert let_go > 5_000_000
    assert kept < 2 * MOST_BYTES


def test_one_who_reads_for_long_is_told_of_once_and_the_log_folded_afterwards(
    tmp_path: Path,
) -> None:
    path = tmp_path / "heatbook.db"
    with closing(open_store(path, MOST_BYTES)) as store:
        with closing(begin(path)), capture_logs() as said:
            for _ in range(13):
                write(store)
        assert [one["event"] for one in said] == ["store.log_long"]
        assert log_bytes(path) > MOST_BYTES
        with capture_logs() as said:
            write(store)
            write(store)
        assert [one["event"] for one in said] == ["store.log_folded"]
        assert log_bytes(path) < MOST_BYTES
        with store.read() as conn:
            assert conn.execute("SELECT count(*) FROM body").fetchone() == (15,)
