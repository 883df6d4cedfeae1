"""The central promise holds with moves of history between the commits: only the samples count."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given
from hypothesis import strategies as st

from deploy.database import Database
from ingest import parquet_archive, sealing
from tests.deploy.moved import DAY_MS, JANUARY, RULES, hot_rows, loose_ends, move
from tests.deploy.store import kept, pipeline, undisturbed
from tests.deploy.test_pipeline_order import SLOW, Day, _messages, _spoil, days

NOW_MS = JANUARY.end_ms + 3 * DAY_MS
AT_ONCE = replace(RULES, hot_ms=DAY_MS)


@SLOW
@given(
    day=days(),
    seed=st.integers(0, 2**32),
    disorder=st.sampled_from(["in order", "backlog", "newest first", "shuffled"]),
    group=st.sampled_from([7, 100, 16_384]),
)
def test_any_order_with_moves_between_ends_in_the_same(
    day: Day, seed: int, disorder: str, group: int
) -> None:
    rng = Random(seed)
    sent = {"NF-01": day + _spoil(rng, day)}
    line = _messages(rng, "NF-01", sent["NF-01"], disorder)
    with TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        patch.setattr(parquet_archive, "GROUP_ROWS", group)
        patch.setattr(sealing, "SLICE_ROWS", 3)
        database = Database(Path(folder) / "heatbook.db", synchronous="off")
        running = pipeline(database, now_ms=NOW_MS)
        position = 0
        while position < len(line):
            count = rng.choice([1, 5, 30, 200])
            running.commit(line[position : position + count])
            position += count
            if rng.random() < 0.2:
                assert move(database, now_ms=NOW_MS, rules=AT_ONCE).problems == []
            if rng.random() < 0.1:
                running.flush()
                running = pipeline(database, now_ms=NOW_MS)
        running.flush()
        move(database, now_ms=NOW_MS, rules=AT_ONCE)
        expected = undisturbed(sent)
        assert hot_rows(database) == 0
        assert loose_ends(database) == set()
        assert kept(database) == expected
        again = pipeline(database, now_ms=NOW_MS, model_version="another")
        assert {"NF-01": again.trucks["NF-01"].state.tobytes()} == expected[0]
        database.close()
