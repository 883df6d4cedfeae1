"""What is around the settings: the files they came from and name, and groups of trucks."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType

from deploy.fleet import groups_of
from deploy.settings import Loaded
from review.installation import Installation, Sizes


@dataclass(frozen=True, slots=True, kw_only=True)
class Around:
    """Trucks by the name of their group, and where things are."""

    groups: Mapping[str, frozenset[str]] = field(default_factory=lambda: MappingProxyType({}))
    installation: Installation = field(default_factory=Installation)


def around_of(loaded: Loaded) -> Around:
    """Give what is around the settings.

    Raises
    ------
    review.problems.BadSettings
        With every problem of the fleet file.
    """
    store = loaded.settings.store.path
    archive = store.parent / loaded.settings.archive.folder
    return Around(
        groups=_by_group(groups_of(loaded)),
        installation=Installation(
            settings_file=_named(loaded.file),
            fleet_file=_named(loaded.fleet_file),
            people_file=_named(loaded.people_file),
            store=_named(store),
            archive=_named(archive),
            sizes=lambda: sizes_of(store, archive),
        ),
    )


def sizes_of(store: Path, archive: Path | None = None) -> Sizes:
    """Look at what a store takes up."""
    return Sizes(
        database=_size(store),
        log=_size(store.with_name(store.name + "-wal")),
        archive=None if archive is None else _whole(archive),
        free=_free(store.parent),
    )


def _by_group(groups: Mapping[str, frozenset[str]]) -> Mapping[str, frozenset[str]]:
    names = sorted({group for of_truck in groups.values() for group in of_truck})
    return {
        name: frozenset(truck for truck, of_truck in groups.items() if name in of_truck)
        for name in names
    }


def _named(file: Path | None) -> str:
    return "" if file is None else str(file.absolute())


def _size(file: Path) -> int | None:
    try:
        return file.stat().st_size
    except OSError:
        return None


def _whole(folder: Path) -> int | None:
    try:
        return sum(file.stat().st_size for file in folder.rglob("*") if file.is_file())
    except OSError:
        return None


def _free(folder: Path) -> int | None:
    try:
        return shutil.disk_usage(folder).free
    except OSError:
        return None
