"""How the committer gets on, as others read it."""

from __future__ import annotations

from deploy.progress import Progress


def test_whoever_reads_of_failures_takes_none_away() -> None:
    now_ms = 0
    progress = Progress(lambda: now_ms)
    progress.store_failed("the disk is full")
    now_ms = 5_000
    assert progress.failed_ms(0) == 5_000
    progress.store_written()
    now_ms = 6_000
    assert progress.failed_ms(500) == 0
    assert progress.failed_ms(2_000) == 5_000
