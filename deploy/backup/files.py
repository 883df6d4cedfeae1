"""Files that outlive a power cut: copied with their hash, linked, their folders made safe."""

from __future__ import annotations

import hashlib
import os
import shutil
from pathlib import Path

from deploy.backup.manifest import Part, hash_of

_CHUNK = 1 << 20


def copy(source: Path, folder: Path, name: str) -> Part:
    """Copy a file to ``folder / name``, make it safe, and tell its hash."""
    target = folder / name
    target.parent.mkdir(parents=True, exist_ok=True)
    digest = hashlib.sha256()
    with source.open("rb") as file, target.open("wb") as out:
        stat = os.fstat(file.fileno())
        while chunk := file.read(_CHUNK):
            digest.update(chunk)
            out.write(chunk)
        out.flush()
        os.fsync(out.fileno())
        size = out.tell()
    os.utime(target, ns=(stat.st_mtime_ns, stat.st_mtime_ns))
    return Part(path=name, bytes=size, sha256=digest.hexdigest(), mtime_ns=stat.st_mtime_ns)


def share(source: Path, folder: Path, part: Part) -> bool:
    """Let a backup have a file of an earlier one without taking room again; false where that cannot be."""
    target = folder / part.path
    target.parent.mkdir(parents=True, exist_ok=True)
    try:
        if source.stat().st_size != part.bytes:
            return False
        target.hardlink_to(source)
    except OSError:  # gone, or a file system without links
        return False
    return True


def sync_tree(folder: Path) -> None:
    """Make the folders below one safe, and itself: names of files outlive a power cut only then."""
    for below, _, _ in os.walk(folder):
        sync(Path(below))


def sync(folder: Path) -> None:
    """Make the names in a folder safe."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def remove(folder: Path, aside: str) -> None:
    """Remove a folder: under another name first, so that half of it never looks whole."""
    gone = folder.with_name(f"{aside}{folder.name}")
    folder.rename(gone)
    sync(folder.parent)
    shutil.rmtree(gone)


def part_of(folder: Path, name: str) -> Part:
    """Describe a file of a backup that is there already."""
    stat = (folder / name).stat()
    return Part(
        path=name,
        bytes=stat.st_size,
        sha256=hash_of(folder / name),
        mtime_ns=stat.st_mtime_ns,
    )
