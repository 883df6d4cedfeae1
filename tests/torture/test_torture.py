"""The fault experiments in their short form; HEATBOOK_TORTURE=full runs the full one."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.brokers import need_mosquitto
from tests.torture.experiments import FULL, SHORT

RUNS = FULL if os.environ.get("HEATBOOK_TORTURE") == "full" else SHORT


@pytest.mark.torture
@pytest.mark.timeout(1200)
@pytest.mark.parametrize("name", RUNS)
def test_nothing_is_lost(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    if not name.startswith("notice_"):
        need_mosquitto()
    seed = int(os.environ.get("HEATBOOK_TORTURE_SEED", "1"))
    found = RUNS[name](tmp_path / name, seed)
    with capsys.disabled():
        print(f"\n{found.line}")  # noqa: T201 - the figure is what the run is for
    assert found.fine, "\n".join(found.problems)
