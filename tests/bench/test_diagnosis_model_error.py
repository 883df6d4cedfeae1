"""The error of a truck's own model, left to itself, on a truck whose physics are known."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.bench.diagnosis.draw import TUNING_SEED
from tests.bench.diagnosis.measure import Task
from tests.bench.diagnosis.model_error import errors_k, main
from tests.bench.diagnosis.windows import driven, keep

SOUND = Task(seed=TUNING_SEED, number=3100, healthy_share=1.0)


def test_a_sound_truck_is_foretold_to_some_kelvin_for_a_quarter_of_an_hour() -> None:
    off_k = errors_k(driven(SOUND))
    assert len(off_k) >= 10  # two days of two drives
    # Left to itself it is off by more than its sensor (0.15 or 0.3 K), and still knows the fluid.
    assert 0.3 < np.sqrt(np.mean(off_k**2)) < 6.0


def test_the_trucks_of_a_folder_are_told_by_class(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    keep(tmp_path, SOUND)
    assert main([str(tmp_path)]) == 0
    assert capsys.readouterr().out.startswith("pickup: 1 trucks, ")
