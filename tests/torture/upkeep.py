"""Upgrade and backup under fault: killed among the steps, copied under load and put back elsewhere."""

from __future__ import annotations

import os
import sqlite3
import statistics
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from random import Random

import deploy.database
from deploy.backup.make import Maker
from deploy.backup.restore import restore
from deploy.backup.rotation import Keep, rotate
from deploy.backup.verify import verify
from deploy.database import Database
from deploy.pipeline import Pipeline
from deploy.settings import Loaded, Settings
from ingest.message import Message
from tests.deploy.store import COURSES, kept, pipeline
from tests.deploy.test_upgrades import STORES, rows, same_rows, unpacked
from tests.recorded import NOON_MS, climb, message
from tests.torture.figures import Figure, told

NOW_MS = NOON_MS + 30 * 86_400_000


def migration_kill(folder: Path, seed: int, *, kills: int) -> Figure:
    """Bring stores of earlier versions forward; kill -9 at a statement that the seed draws."""
    rng = Random(seed)
    problems: list[str] = []
    old = brought = 0
    for number in range(kills):
        stored = STORES[number % len(STORES)]
        place = folder / f"{number}"
        place.mkdir(parents=True)
        store = unpacked(stored, place)
        before = rows(store)
        at = rng.randrange(1, 110)
        _killed(store, at)
        try:
            with closing(sqlite3.connect(store)) as conn:
                if conn.execute("PRAGMA integrity_check").fetchone() != ("ok",):
                    problems.append(f"{stored.name}, statement {at}: damaged")
                conn.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            if rows(store) == before:
                old += 1
            else:
                brought += 1
                same_rows(before, rows(store))
            Database(store, synchronous="off").close()
            same_rows(before, rows(store))
        except AssertionError as error:
            problems.append(f"{stored.name}, statement {at}: rows differ ({error})")
    return told(
        "migration_kill",
        faults=f"{kills} kill -9 among the steps of {len(STORES)} earlier versions",
        found=(
            f"{old} left as they were",
            f"{brought} brought forward",
            "all rows equal after",
        ),
        seed=seed,
        fine=not problems,
        problems=problems,
    )


def _killed(store: Path, at: int) -> None:
    """Open a store in a process that dies at a statement; past the last one it is opened and closed."""
    child = os.fork()
    if child == 0:
        try:
            real = deploy.database._migrate
            deploy.database._migrate = lambda tx: real(_Counting(tx, at))  # type: ignore[arg-type]
            Database(store).close()
        finally:
            os._exit(0)
    os.waitpid(child, 0)


class _Counting:
    """A connection that kills the process at one of its statements."""

    def __init__(self, tx: sqlite3.Connection, at: int) -> None:
        self._tx, self._left = tx, at

    def execute(self, *words: object) -> sqlite3.Cursor:
        self._left -= 1
        if self._left == 0:
            os.kill(os.getpid(), 9)
        return self._tx.execute(*words)  # type: ignore[arg-type]


def backup_load(folder: Path, seed: int, *, trucks: int, backups: int, days: int) -> Figure:
    """Make backups while samples are committed; put the last back elsewhere and feed it what came since."""
    rng = Random(seed)
    home = folder / "home"
    home.mkdir(parents=True)
    database = Database(home / "heatbook.db")
    running = pipeline(database, now_ms=NOW_MS)
    sent = [
        message(f"NF-{truck:02}", drive[start : start + 20])
        for truck in range(trucks)
        for day in range(days)
        for drive in [climb(400, start_ms=NOON_MS + day * 86_400_000 + truck, period_ms=10_000)]
        for start in range(0, 400, 20)
    ]
    rng.shuffle(sent)
    quiet = [_committed(running, one) for one in sent[: len(sent) // 4]]
    loaded = Loaded(
        settings=Settings.model_validate({"store": {"path": database.path}}), file=None
    )
    into = folder / "backups"
    maker = Maker(loaded=loaded, into=into, now_ms=lambda: NOW_MS)
    busy: list[float] = []
    made, took = None, []
    with _committing(running, sent[len(sent) // 4 :], busy):
        for _ in range(backups):
            began = time.monotonic()
            made = maker.make()
            took.append(time.monotonic() - began)
            rotate(into, made.manifest.store, Keep(number=2), NOW_MS)
    running.flush()
    wanted = kept(database)
    database.close()
    assert made is not None
    began = time.monotonic()
    verdict = verify(made.folder, courses=COURSES, models="tests", trucks=None)
    elsewhere = Settings.model_validate(
        {"store": {"path": folder / "elsewhere" / "heatbook.db"}}
    )
    restore(made.folder, elsewhere, stamp="torture", replace=False)
    again = Database(elsewhere.store.path)
    resumed = pipeline(again, now_ms=NOW_MS)
    ready_s = time.monotonic() - began
    had = _samples(again)
    for one in sent:  # what gateways still hold comes again, most of it known already
        resumed.commit([one])
    resumed.flush()
    same = kept(again) == wanted
    again.close()
    problems = [*verdict.problems, *([] if same else ["accounts differ after the restore"])]
    return told(
        "backup_load",
        faults=f"{backups} backups among {len(busy)} commits of {trucks} trucks",
        found=(
            f"commit {_ms(quiet)} without, {_ms(busy)} beside a backup",
            f"backup of {made.manifest.bytes / 1e6:.1f} MB in {statistics.median(took):.2f} s",
            f"verified, put back and taken up in {ready_s:.1f} s with {had} samples",
            "then the same accounts bit for bit" if same else "accounts differ",
        ),
        seed=seed,
        fine=not problems,
        problems=problems,
    )


@contextmanager
def _committing(
    running: Pipeline, sent: Sequence[Message], busy: list[float]
) -> Iterator[None]:
    """Commit beside whatever is done meanwhile; all of it is committed at the end."""

    def work() -> None:
        busy.extend(_committed(running, one) for one in sent)

    thread = threading.Thread(target=work)
    thread.start()
    try:
        yield
    finally:
        thread.join()


def _committed(running: Pipeline, one: Message) -> float:
    """Commit one message; give how long it took [s]."""
    began = time.monotonic()
    running.commit([one])
    return time.monotonic() - began


def _ms(found: list[float]) -> str:
    slowest = max(found)
    return f"{statistics.median(found) * 1000:.1f} ms (longest {slowest * 1000:.0f})"


def _samples(database: Database) -> int:
    with database.read() as conn:
        return int(conn.execute("SELECT coalesce(sum(samples), 0) FROM journal").fetchone()[0])
