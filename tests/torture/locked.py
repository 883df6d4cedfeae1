"""Another program holds the store (to write, to read for long, to copy it): the daemon waits and goes on."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path

from deploy.log_length import MOST_BYTES
from deploy.waiting import until
from tests.torture.child import Child
from tests.torture.figures import LASTED, Figure, figure
from tests.torture.material import material
from tests.torture.rig import Rig, rig

WAITED_S, ANNOUNCED_S = 5.0, 25.0
"""What is shorter than the first is waited for; what is longer than the second must be said as the store's
failure. Between the two it hangs on which of the daemon's threads had its turn: each waits for 5 s."""


def store_locked(
    folder: Path, seed: int, *, spans_s: Sequence[float], hours: float, trucks: int, rate: float
) -> Figure:
    """Hold the write lock for each of the spans, and copy the store beside it, while messages come."""
    stock = material(seed, hours=hours, more_trucks=trucks)
    with rig(folder, stock) as parts:
        parts.listen()
        gateways = parts.load(seed, rate=rate, waits=False)
        child = parts.child
        child.wait_for(lambda: child.messages > 0, "a first commit")
        through = sum(_hold(parts, span_s) for span_s in spans_s)
        copied = _copy(child, folder / "copy.db")
        under_load = gateways.at_work
        said = child.log.count("store.failed"), child.log.count("store.recovered")
        parts.settle()
        verdict = parts.verdict()
    most = sum(span_s > WAITED_S for span_s in spans_s)
    least = sum(span_s > ANNOUNCED_S for span_s in spans_s)
    spans = ", ".join(f"{span_s:g}" for span_s in spans_s)
    return figure(
        "store_locked",
        verdict,
        seed=seed,
        faults=f"another program held the write lock for {spans} s, and copied the store",
        also=f"{through} messages acknowledged meanwhile, said {said[0]} times that the store failed and "
        f"{said[1]} times that it recovered, the copy is {copied}",
        must={
            LASTED: under_load,
            "nothing acknowledged meanwhile": not through,
            "said as often that it failed as that it recovered": said[0] == said[1],
            f"said {least} to {most} times": least <= said[0] <= most,
            "the copy is sound": copied == "sound",
        },
    )


def store_read_long(
    folder: Path, seed: int, *, hours: float, trucks: int, rate: float
) -> Figure:
    """Let one read for long, until the log is twice as long as it may be; end it; the log must be folded."""
    stock = material(seed, hours=hours, more_trucks=trucks)
    with rig(folder, stock) as parts:
        parts.listen()
        gateways = parts.load(seed, rate=rate, waits=False)
        child = parts.child
        child.wait_for(lambda: child.messages > 0, "a first commit")
        with _reading(child):
            child.wait_for(lambda: _log_bytes(child) > 2 * MOST_BYTES, "the log to grow")
            child.wait_for(lambda: "store.log_long" in child.log, "the daemon to say so")
        longest, began = _log_bytes(child), time.monotonic()
        child.wait_for(lambda: _log_bytes(child) < MOST_BYTES, "the log to be folded")
        took_s = time.monotonic() - began
        under_load = gateways.at_work
        parts.settle()
        verdict = parts.verdict()
    return figure(
        "store_read_long",
        verdict,
        seed=seed,
        faults="one program read the store until its log was twice as long as it may be",
        also=f"the log {longest / 1e6:.0f} MB, folded {took_s:.1f} s after the reader ended, said "
        f"{child.log.count('store.log_long')} times",
        must={LASTED: under_load, "said once": child.log.count("store.log_long") == 1},
    )


def _hold(parts: Rig, span_s: float) -> int:
    """Hold the write lock for a while; give how many messages were committed all the same."""
    child = parts.child
    with closing(sqlite3.connect(child.store, isolation_level=None, timeout=30.0)) as conn:
        conn.execute("BEGIN IMMEDIATE")
        before = child.messages
        # How long it is held is the experiment itself.
        until(lambda: not child.running, span_s)
        through = child.messages - before
        conn.execute("ROLLBACK")
    child.wait_for(lambda: child.messages > before, "the daemon to go on")
    return through


def _copy(child: Child, copy: Path) -> str:
    """Copy the store as a backup program does, a few pages at a time, while it is written to."""
    with _reading(child) as source, closing(sqlite3.connect(copy)) as target:
        source.backup(target, pages=64)
        sound = target.execute("PRAGMA integrity_check").fetchone()[0]
    return "sound" if sound == "ok" else str(sound)


@contextmanager
def _reading(child: Child) -> Iterator[sqlite3.Connection]:
    """See the store as it is now, for as long as it takes."""
    with closing(sqlite3.connect(f"file:{child.store}?mode=ro", uri=True)) as conn:
        conn.isolation_level = None
        conn.execute("BEGIN")
        conn.execute("SELECT count(*) FROM journal").fetchone()
        yield conn


def _log_bytes(child: Child) -> int:
    return child.store.with_name(child.store.name + "-wal").stat().st_size
