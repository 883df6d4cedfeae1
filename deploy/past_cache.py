"""The demo's invented past is made once: the next demo finds it in the user's folder for caches.

It is kept by the version of all the code that it comes of, so that what is found is what would be made.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import time
from collections.abc import Callable
from pathlib import Path

KEEPS = ("heatbook.db", "archive")
"""What a past is made of: the store, and the archive beside it."""

LEFT_BEHIND_S = 3_600.0
"""A past that is still not whole after so long was left behind by a process that was killed [s]."""

_ROOT = Path(__file__).parent.parent
_PACKAGES = ("alerts", "ingest", "models", "simulator")
_FILES = (
    "deploy/findings.py",
    "deploy/past_cache.py",
    "deploy/past_deeds.py",
    "deploy/past_months.py",
    "deploy/pipeline.py",
    "deploy/record_intake.py",
    "deploy/two_years.py",
    "review/entry_rules.py",
    "review/events.py",
    "review/record_book.py",
    "review/trucks.py",
)


def version() -> str:
    """Name the code that a past comes of: a hash of its sources."""
    digest = hashlib.sha256()
    files = [path for name in _PACKAGES for path in (_ROOT / name).rglob("*.py")]
    for path in sorted([*files, *(_ROOT / name for name in _FILES)]):
        digest.update(path.relative_to(_ROOT).as_posix().encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def copy_of_past(
    folder: Path, make: Callable[[Path], None], *, caches: Path | None = None
) -> bool:
    """Put the past into a folder, from the cache or by ``make`` (into the folder it is given).

    Says whether it was found. Where nothing can be kept it is made in place; pasts of other versions
    of the code go.
    """
    place = (caches or _caches()) / f"past-{version()}"
    if place.is_dir():
        _copy(place, folder)
        return True
    fresh = place.with_name(f"{place.name}-{os.getpid()}")
    try:
        shutil.rmtree(fresh, ignore_errors=True)
        fresh.mkdir(parents=True)
    except OSError:
        make(folder)
        return False
    try:
        make(fresh)
        _copy(fresh, folder)
        _settle(fresh, place)
    finally:
        shutil.rmtree(fresh, ignore_errors=True)
    return False


def _settle(fresh: Path, place: Path) -> None:
    """Give a finished past its name; of two that are made at once the first is kept."""
    if place.exists():
        return
    for old in place.parent.glob("past-*"):
        if old != fresh and _done_with(old):
            shutil.rmtree(old, ignore_errors=True)
    fresh.rename(place)


def _done_with(old: Path) -> bool:
    """Say whether nobody needs a past any longer: one that is being made has been touched of late."""
    being_made = old.name.count("-") > 1
    return not being_made or time.time() - old.stat().st_mtime > LEFT_BEHIND_S


def _copy(source: Path, folder: Path) -> None:
    for name in KEEPS:
        if (source / name).is_dir():
            shutil.copytree(source / name, folder / name, dirs_exist_ok=True)
        elif (source / name).exists():
            shutil.copy2(source / name, folder / name)


def _caches() -> Path:
    named = os.environ.get("CACHE_DIRECTORY") or os.environ.get("XDG_CACHE_HOME")
    return (Path(named) if named else Path.home() / ".cache") / "heatbook"
