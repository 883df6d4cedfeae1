"""Files and a command line that several tests of this package use."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.deploy.captures import FLEET_FILE, Run, fleet_messages, lines, run_in


@pytest.fixture
def heatbook(tmp_path: Path) -> Run:
    return run_in(tmp_path / "home")


@pytest.fixture
def capture(tmp_path: Path) -> Path:
    path = tmp_path / "capture.jsonl"
    path.write_bytes(b"".join(lines(fleet_messages())))
    return path


@pytest.fixture
def fleet_file(tmp_path: Path) -> Path:
    path = tmp_path / "fleet.toml"
    path.write_text(FLEET_FILE)
    return path
