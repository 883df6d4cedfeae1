"""What was last heard of each truck: worked out anew where something came."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from deploy.heard import Heard, last_heard
from ingest import held as holding
from tests.deploy.store import NOW_MS, pipeline, store
from tests.recorded import climb, message


def test_a_clock_that_is_set_back_and_right_again_opens_no_state(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with store(tmp_path) as database:
        running = pipeline(database)
        running.commit([message("NF-01", climb(30, slope_k_min=0.6))])
        trucks = {
            "NF-01": replace(running.trucks["NF-01"], kept=running.trucks["NF-01"].packed)
        }
    heard = Heard()
    times = (NOW_MS, NOW_MS - 1, 1_000, NOW_MS)
    expected = [last_heard(trucks["NF-01"], now_ms) for now_ms in times]
    assert len({each.heard_ms for each in expected}) == 3
    assert heard.now(trucks, times[0])["NF-01"] == expected[0]
    monkeypatch.setattr(holding, "unpack", None)
    assert [heard.now(trucks, now_ms)["NF-01"] for now_ms in times] == expected
