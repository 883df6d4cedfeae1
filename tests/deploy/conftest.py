"""Files and a command line that several tests of this package use."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from deploy.archive_mark import MARK
from tests.deploy.backed_up import Home, settled
from tests.deploy.captures import FLEET_FILE, Run, fleet_messages, lines, run_in
from tests.deploy.fed import Fed, section
from tests.influx_stub import Stub, stub


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


@pytest.fixture(scope="session")
def driven(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A home whose trucks have driven for months; to be copied, not used."""
    return settled(tmp_path_factory.mktemp("driven")).folder


@pytest.fixture
def home(tmp_path: Path, driven: Path) -> Home:
    """A home of the test's own with months of history, the old ones in the archive."""
    made = Home(tmp_path / "here")
    shutil.copytree(driven, made.folder)
    (made.store.parent / "archive" / MARK).unlink()  # else it is known for a copy
    config = made.store.parent / "heatbook.toml"
    config.write_text(config.read_text().replace(str(driven), str(made.folder)))
    return made


@pytest.fixture
def far() -> Iterator[Stub]:
    """A server that answers as InfluxDB says of itself that it does."""
    with stub() as made:
        yield made


@pytest.fixture
def fed(far: Stub, tmp_path: Path) -> Iterator[Fed]:
    """A store whose samples go there."""
    made = Fed(tmp_path, section(far.url, batch_points=50))
    yield made
    made.close()
