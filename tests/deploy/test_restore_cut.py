"""A restore that dies at any step leaves the old store or the new one, or what the next start finishes."""

from __future__ import annotations

import errno
import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from itertools import count
from pathlib import Path
from typing import Any

import pytest
from structlog.testing import capture_logs

from deploy.backup import replacing
from deploy.backup.manifest import BackupError
from deploy.backup.restore import restore
from deploy.database import Beside, Database, StoreError, beside_daemon, read_only
from deploy.settings import Settings
from tests.deploy.backed_up import Home
from tests.deploy.store import Kept, kept, pipeline
from tests.deploy.test_history_move import DAYS, NOW_MS, holds_all
from tests.recorded import climb, message

DAY_MS = 86_400_000
SINCE = {"NF-03": climb(20, start_ms=NOW_MS - DAY_MS)}
"""What is driven after the backup, by a truck that was not heard before."""

STEPS = ("rename", "unlink", "rmdir", "fsync")
"""What changes names, or makes them safe."""

DIED, DONE, FAILED = 9, 0, 3


@pytest.fixture
def stands(home: Home) -> tuple[Home, Path, Kept, Kept]:
    """A home whose store has gone on since its backup and was killed: what a store holds then, and now."""
    backup = home.back_up()
    then = kept(Beside(home.store))
    assert _in_a_child(lambda: _driven(home)) == DONE
    now = kept(Beside(home.store))
    assert now != then
    assert home.store.with_name(home.store.name + "-wal").stat().st_size > 0
    return home, backup, then, now


def _driven(home: Home) -> None:
    running = pipeline(home.open(), now_ms=NOW_MS)
    for name, more in SINCE.items():
        running.commit([message(name, more)])
    running.flush()


def _in_a_child(work: Callable[[], Any]) -> int:
    """Do something in a process that ends as if it were killed: nothing is closed or folded back."""
    child = os.fork()
    if child == 0:
        code = FAILED
        try:
            work()
            code = DONE
        finally:
            os._exit(code)
    _, status = os.waitpid(child, 0)
    return os.waitstatus_to_exitcode(status)


def _settings(store: Path) -> Settings:
    return Settings.model_validate({"store": {"path": store}})


def _at(step: int, die: Callable[[], Any], patch: pytest.MonkeyPatch) -> list[str]:
    """Let something happen instead of the ``step``-th change of the disk; give what was called."""
    called: list[str] = []

    def put(name: str) -> None:
        real = getattr(os, name)

        def counted(*args: Any, **kwargs: Any) -> Any:
            called.append(name)
            return die() if len(called) == step else real(*args, **kwargs)

        patch.setattr(os, name, counted)

    for name in STEPS:
        put(name)
    return called


def _dies(step: int, backup: Path, store: Path) -> int:
    """Put a backup back in a process that dies before one of its changes of the disk."""

    def put_back() -> None:
        with pytest.MonkeyPatch.context() as patch:
            _at(step, lambda: os._exit(DIED), patch)
            restore(backup, _settings(store), stamp="first", replace=True)

    return _in_a_child(put_back)


def _each_cut(backup: Path, home: Home, folder: Path) -> Iterator[Path]:
    """Give the store after a death at each step, a home of its own each; the last one did not die."""
    step, code = 1, DIED
    while code == DIED:
        store = folder / f"{step}" / home.store.name
        shutil.copytree(home.store.parent, store.parent)
        code = _dies(step, backup, store)
        assert code in (DIED, DONE), step
        yield store
        step += 1
        shutil.rmtree(store.parent)


def _aside(store: Path) -> Path:
    return store.with_name(f"{store.name}.before-restore-first")


def test_whenever_it_dies_the_next_start_has_the_old_store_or_the_new_one_whole(
    stands: tuple[Home, Path, Kept, Kept], tmp_path: Path
) -> None:
    home, backup, then, now = stands
    ends: list[str] = []
    for store in _each_cut(backup, home, tmp_path / "cut"):
        noted = replacing.cut_short(store)
        with capture_logs() as logged:
            database = Database(store, synchronous="off")
        events = [each["event"] for each in logged]
        assert events == (["restore.finished"] if noted else [])
        new = _aside(store).exists()
        assert kept(database) == (then if new else now)
        assert holds_all(database, DAYS if new else {**DAYS, **SINCE})
        database.close()
        if new:  # what stood there is all there still, with its archive
            old = Database(_aside(store), synchronous="off")
            assert kept(old) == now
            old.close()
            archive = store.parent / "archive.before-restore-first"
            assert len(list(archive.glob("samples/*/*.parquet"))) == 4
        assert not replacing.cut_short(store)
        ends.append("finished" if noted else "new" if new else "old")
    # Before the note, while it lies there, and after it: all of them were tried, in this order.
    assert sorted(ends, key=["old", "finished", "new"].index) == ends
    assert ends.count("finished") >= 8
    assert ends.count("new") >= 1


def test_whenever_it_dies_among_the_names_the_restore_can_be_done_again(
    stands: tuple[Home, Path, Kept, Kept], tmp_path: Path
) -> None:
    home, backup, then, now = stands
    finished = 0
    for store in _each_cut(backup, home, tmp_path / "cut"):
        if not replacing.cut_short(store):  # no name has changed yet, or all have
            continue
        done = restore(backup, _settings(store), stamp="second", replace=True)
        assert done.settled is not None
        assert done.settled.finished
        finished += 1
        database = Database(store, synchronous="off")
        assert kept(database) == then
        assert holds_all(database)
        database.close()
        old = Database(_aside(store), synchronous="off")
        assert kept(old) == now
        old.close()
    assert finished >= 8


def _cut_short(home: Home, backup: Path, at: str = "_sync") -> None:
    """Leave a restore whose new store is not in its place yet; or one that is cut at another step."""
    with pytest.MonkeyPatch.context() as patch:

        def dies(*_: Any) -> None:
            raise KeyboardInterrupt

        patch.setattr(replacing, at, dies)
        with pytest.raises(KeyboardInterrupt):
            restore(backup, _settings(home.store), stamp="first", replace=True)
    assert replacing.cut_short(home.store)


def test_until_it_is_finished_nobody_reads_or_writes_beside(
    stands: tuple[Home, Path, Kept, Kept],
) -> None:
    home, backup, *_ = stands
    _cut_short(home, backup)
    assert not home.store.exists()
    for opens in (read_only, beside_daemon):
        with (
            pytest.raises(StoreError, match=r"was cut short; start the daemon"),
            opens(home.store),
        ):
            pass
    done = home.run("check", "--no-broker")
    said = " ".join(done.output.split())
    assert f"a restore of the store {home.store} was cut short" in said
    assert "will be made at the first start" not in said


def test_the_command_says_that_it_has_finished_it(
    stands: tuple[Home, Path, Kept, Kept],
) -> None:
    home, backup, then, _ = stands
    _cut_short(home, backup)
    refused = home.run("restore", str(backup))
    assert isinstance(refused.exception, BackupError)
    assert "a restore that was cut short is finished; what stood there is kept" in str(
        refused.exception
    )
    assert "there is a store" in str(refused.exception)
    database = home.open()
    assert kept(database) == then
    database.close()


def test_one_whose_new_store_is_gone_is_undone(stands: tuple[Home, Path, Kept, Kept]) -> None:
    home, backup, _, now = stands
    _cut_short(home, backup)
    home.store.with_name(home.store.name + ".restoring").unlink()
    with capture_logs() as logged:
        database = home.open()
    assert [each["event"] for each in logged] == ["restore.undone"]
    assert kept(database) == now
    assert holds_all(database, {**DAYS, **SINCE})
    database.close()
    assert not list(home.store.parent.glob("*.before-restore-*"))


def test_what_a_power_cut_has_taken_of_the_old_one_does_not_undo_the_new(
    stands: tuple[Home, Path, Kept, Kept],
) -> None:
    home, backup, then, _ = stands
    _cut_short(home, backup, at="_forget")
    log = _aside(home.store)
    log.with_name(f"{log.name}-wal").unlink()
    with capture_logs() as logged:
        database = home.open()
    assert [each["event"] for each in logged] == ["restore.finished"]
    assert kept(database) == then
    assert holds_all(database)
    database.close()


def test_a_name_that_cannot_be_changed_leaves_all_as_it_was(
    stands: tuple[Home, Path, Kept, Kept],
) -> None:
    """Every change of the disk fails once; what is told as failed has left the old store in its place."""
    home, backup, _, now = stands
    for step in count(1):
        with pytest.MonkeyPatch.context() as patch:
            calls = _at(step, _fails, patch)
            told = _told(backup, home.store, stamp=f"{step}")
        assert (told == "") == (len(calls) < step)
        if not told:
            break
        assert "cannot be put back (Input/output error" in told
        assert not replacing.cut_short(home.store)
        assert not list(home.store.parent.glob("*.before-restore-*"))
        database = home.open()
        assert kept(database) == now
        assert holds_all(database, {**DAYS, **SINCE})
        database.close()
        # What could not be removed of it is passed over: it would not be told as failed.
        shutil.rmtree(home.store.parent / "archive.restoring", ignore_errors=True)
    assert step > 10


def _fails() -> None:
    raise OSError(errno.EIO, "Input/output error")


def _told(backup: Path, store: Path, stamp: str) -> str:
    """Put a backup back; give what was told of why it could not be, nothing if it could."""
    try:
        restore(backup, _settings(store), stamp=stamp, replace=True)
    except BackupError as error:
        return str(error)
    return ""


def test_what_a_cut_copy_has_left_does_not_get_into_the_next(home: Home) -> None:
    """SQLite would roll the journal of another file back into the new one."""
    backup = home.back_up()
    new = home.store.with_name(home.store.name + ".restoring")

    def begin() -> None:
        conn = sqlite3.connect(new, isolation_level=None)
        conn.execute("CREATE TABLE other (only_here TEXT)")
        conn.execute("BEGIN IMMEDIATE")
        conn.execute("PRAGMA cache_size = 1")
        conn.executemany("INSERT INTO other VALUES (?)", [("x" * 4000,)] * 100)
        os._exit(DIED)

    assert _in_a_child(begin) == DIED
    assert new.with_name(new.name + "-journal").stat().st_size > 0
    restore(backup, _settings(home.store), stamp="first", replace=True)
    database = home.open()
    assert holds_all(database)
    database.close()
    assert not list(home.store.parent.glob("*.restoring*"))
