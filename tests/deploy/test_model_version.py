"""Compiled models are kept for one version of the sources, and a start never fails over where."""

from __future__ import annotations

from pathlib import Path

import pytest
from numba import config

from review.model_version import keep_compiled, model_version


@pytest.fixture(autouse=True)
def _keep_the_place(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(config, "CACHE_DIR", getattr(config, "CACHE_DIR"))  # noqa: B009 -- made at run time


def test_each_version_of_the_sources_has_a_place_of_its_own(tmp_path: Path) -> None:
    place = keep_compiled(tmp_path)
    assert place.is_dir()
    assert place.parent == tmp_path / "heatbook"
    assert place.name.startswith(model_version())
    assert Path(getattr(config, "CACHE_DIR")) == place  # noqa: B009 -- made at run time


def test_a_service_without_a_place_to_write_compiles_elsewhere(tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("no folder")
    place = keep_compiled(blocked)
    assert tmp_path not in place.parents
