"""Judging noted trucks again: as they are judged when they are driven."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.bench.diagnosis.draw import HEALTHY_SHARE, TUNING_SEED
from tests.bench.diagnosis.judge import judge
from tests.bench.diagnosis.measure import DETECTORS, Task, drive
from tests.bench.diagnosis.rescore import rejudged
from tests.bench.diagnosis.windows import keep, kept

LONGEST_WINDOW_S = 60.0


@pytest.mark.parametrize("number", [1503, 1535])  # a stuck valve; a cooler starved of air
def test_a_noted_truck_is_judged_as_it_was_when_it_was_driven(
    tmp_path: Path, number: int
) -> None:
    task = Task(seed=TUNING_SEED, number=number, healthy_share=HEALTHY_SHARE)
    drawn, recording = drive(task)
    alarms, stated = judge(recording.samples, drawn.plan.registration)
    again = rejudged(kept(keep(tmp_path, task)))
    found = again.alarms[DETECTORS]
    assert [one.kind for one in found] == [one.kind for one in alarms] != []
    for one, live in zip(found, alarms, strict=True):
        assert 0.0 <= one.second - live.second <= LONGEST_WINDOW_S
    assert again.stated[-1].probability == pytest.approx(stated[-1].probability)


def test_a_truck_is_driven_once(tmp_path: Path) -> None:
    task = Task(seed=TUNING_SEED, number=1535, healthy_share=1.0)
    path = keep(tmp_path, task)
    before = kept(path)
    assert before.outcome.label == ""
    assert len(before.given) > 0
    written = path.stat()
    assert keep(tmp_path, task) == path
    assert path.stat() == written
    assert [one.name for one in tmp_path.iterdir()] == [path.name]
