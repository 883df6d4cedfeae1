"""Our short package names are ours: they mean this checkout, and no dependency brings one of them."""

from __future__ import annotations

import importlib
import re
import shutil
import subprocess
import sys
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PACKAGES = ("models", "ingest", "alerts", "review", "simulator", "deploy")
SOURCES = (*PACKAGES, "tests")


@pytest.mark.parametrize("name", PACKAGES)
def test_the_name_means_this_checkout(name: str) -> None:
    package = importlib.import_module(name)
    assert list(package.__path__) == [str(ROOT / name)]


def test_nobody_else_brings_one_of_our_names() -> None:
    owners = packages_distributions()
    for name in PACKAGES:
        assert set(owners.get(name, [])) <= {"heatbook"}, name


def test_imports_point_one_way() -> None:
    command = [str(Path(sys.executable).with_name("lint-imports")), "--no-cache"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)  # noqa: S603
    assert done.returncode == 0, done.stdout


MACHINE_PATH = re.compile(r"(?<![\w.:/-])/(?:work|home|Users|root|mnt)/\w")
"""Paths of somebody's machine: what is written here must hold on any."""


def _tracked() -> list[Path]:
    git = shutil.which("git")
    if git is None or not (ROOT / ".git").exists():
        pytest.skip("not a git checkout: nothing says which files are ours")
    listed = subprocess.run(  # noqa: S603
        [git, "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=True
    )
    return [ROOT / name for name in listed.stdout.split("\0") if name]


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except (UnicodeDecodeError, FileNotFoundError):
        return ""


def test_no_file_names_a_path_of_one_machine() -> None:
    this = Path(__file__)
    found = [
        f"{path.relative_to(ROOT)}: {line.strip()[:100]}"
        for path in _tracked()
        if path != this
        for line in _text(path).splitlines()
        if MACHINE_PATH.search(line)
    ]
    assert found == []


@pytest.mark.parametrize("place", [name for name in SOURCES if name != "review"])
def test_every_room_has_its_sign(place: str) -> None:
    assert (ROOT / place / "README.md").is_file()
