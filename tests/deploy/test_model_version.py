"""Compiled models are kept for one version of the sources, and a start never fails over where."""

from __future__ import annotations

import os
import subprocess
import sys
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


def test_a_place_on_a_disk_that_is_read_only_is_left_alone(tmp_path: Path) -> None:
    keep_compiled(tmp_path)  # made while it could be written
    ask = "import sys; from pathlib import Path; from review.model_version import keep_compiled as k"
    ask += "; print(k(Path(sys.argv[1])))"
    shut = 'mount --bind "$1" "$1" && mount -o remount,bind,ro "$1" && exec "$2" -c "$3" "$1"'
    command = ["unshare", "--mount", "sh", "-c", shut, "sh", str(tmp_path), sys.executable, ask]
    if os.geteuid() != 0 or subprocess.run([*command[:2], "true"], check=False).returncode:  # noqa: S603
        pytest.skip("mounting needs root and a kernel that lets us")
    done = subprocess.run(command, capture_output=True, text=True, check=True)  # noqa: S603
    assert str(tmp_path) not in done.stdout
    assert "heatbook-" in done.stdout
