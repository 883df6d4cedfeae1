"""An archive of files that was away: nothing is begun anew meanwhile, and damage costs little afterwards."""

from __future__ import annotations

from collections import deque
from pathlib import Path
from typing import Any

import pytest
from structlog.testing import capture_logs

from deploy import erasure
from deploy.archive_look import ArchiveLook
from ingest.archive import ArchiveAway
from ingest.fold import fold
from tests.deploy.moved import move, sealed_months
from tests.deploy.store import kept, pipeline, store, undisturbed
from tests.deploy.test_history_move import NOW_MS
from tests.deploy.test_postponed import (
    FIRST,
    LATE,
    SEALED,
    archived,
    balanced,
    looked,
    refused,
    waiting,
)
from tests.recorded import Sample, climb, message


def test_to_find_what_needs_a_damaged_month_history_is_not_run_for_each_hundred(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All that is older than what needs it needs it too; the whole run is in one transaction."""
    folds = 0

    def counted(*args: Any, **named: Any) -> Any:
        nonlocal folds
        folds += 1
        return fold(*args, **named)

    monkeypatch.setattr("deploy.postponing.ENTRY_SAMPLES", 1)
    folder = tmp_path / "archive"
    with store(tmp_path) as database:
        archived(database, FIRST, kind="parquet")
        running = pipeline(database, now_ms=NOW_MS)
        folder.rename(tmp_path / "elsewhere")
        between = [{**SEALED[0], "time_ms": SEALED[0]["time_ms"] + at} for at in range(1, 61)]
        running.commit([message("NF-01", between)])
        (tmp_path / "elsewhere").rename(folder)
        (february,) = (folder / "samples").rglob("2026-02*")
        february.write_bytes(b"no more")
        monkeypatch.setattr("deploy.postponing.fold", counted)
        looked(database, running)
        assert waiting(database).samples == 0
        assert len(refused(database)) == len(between)
        assert balanced(running)
        assert folds < 10


def test_a_move_does_not_begin_the_archive_anew_while_its_share_is_away(tmp_path: Path) -> None:
    """Its folder would not be empty then: what is missing would be damaged, and hidden what was moved."""
    folder = tmp_path / "archive"
    with store(tmp_path) as database:
        archived(database, FIRST, kind="parquet")
        running = pipeline(database, now_ms=NOW_MS)
        folder.rename(tmp_path / "elsewhere")
        folder.mkdir()  # where it is mounted
        old: list[Sample] = [*climb(50, start_ms=int(SEALED[0]["time_ms"]))]
        running.commit([message("NF-02", old)])
        with pytest.raises(ArchiveAway, match=r"archive is empty, and 2 months"):
            move(database, now_ms=NOW_MS)
        assert [*folder.iterdir()] == []
        running.commit([message("NF-01", LATE)])
        assert (waiting(database).samples, refused(database)) == (len(LATE), [])
        folder.rmdir()
        (tmp_path / "elsewhere").rename(folder)
        assert looked(database, running) == ["NF-01"]
        running.flush()
        assert move(database, now_ms=NOW_MS).problems == []
        assert sealed_months(database)["NF-02"] == ["2026-01"]
        assert kept(database) == undisturbed({"NF-01": [*FIRST, *LATE], "NF-02": old})


def test_an_erasure_is_not_done_before_the_months_are_gone(tmp_path: Path) -> None:
    folder = tmp_path / "archive"
    with store(tmp_path) as database:
        running = pipeline(database, now_ms=NOW_MS)
        for name in ("NF-01", "NF-02"):
            running.commit([message(name, [*climb(50, start_ms=int(SEALED[0]["time_ms"]))])])
        running.flush()
        assert move(database, now_ms=NOW_MS).months == 2
        folder.rename(tmp_path / "elsewhere")
        with database.write() as tx:
            number = erasure.ask(tx, "NF-01", "Kim", NOW_MS)
        assert running.commit_erasures() == ["NF-01"]
        with pytest.raises(ArchiveAway):
            erasure.finish(database, lambda: NOW_MS)
        (tmp_path / "elsewhere").rename(folder)
        with database.read() as conn:
            assert erasure.progress(conn, number)[1] is False
        erasure.finish(database, lambda: NOW_MS)
        with database.read() as conn:
            assert erasure.progress(conn, number)[1] is True
        assert {each.parent.name for each in folder.rglob("*.parquet")} == {"vehicle=NF-02"}


def test_a_row_that_cannot_be_read_is_told_of_once_and_goes_on_waiting(tmp_path: Path) -> None:
    folder = tmp_path / "archive"
    with store(tmp_path) as database:
        archived(database, FIRST, kind="parquet")
        running = pipeline(database, now_ms=NOW_MS)
        folder.rename(tmp_path / "elsewhere")
        running.commit([message("NF-01", LATE)])
        (tmp_path / "elsewhere").rename(folder)
        with database.write() as tx:
            tx.execute("UPDATE postponed SET body = x'00'")
        with capture_logs() as told:
            for _ in range(3):
                assert looked(database, running) == []
        assert [each["event"] for each in told] == ["look.failed"]
        assert (waiting(database).samples, refused(database)) == (len(LATE), [])


def test_a_look_that_never_began_ends(tmp_path: Path) -> None:
    with store(tmp_path) as database:
        assert ArchiveLook(database, deque()).stop()
