"""A small file system of its own for a store: filled to the last byte, freed, broken, and mended."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

BALLAST = "ballast"


class NoMount(Exception):
    """Nothing can be mounted here; the message says why."""


@dataclass(frozen=True, slots=True)
class SmallDisk:
    """A mounted file system, ``kind`` ext4 (on a loop device) or tmpfs."""

    place: Path
    image: Path
    kind: str

    def leave(self, size: int) -> None:
        """Take what room there is but for so many bytes."""
        room = os.statvfs(self.place)
        with (self.place / BALLAST).open("ab", buffering=0) as file:
            os.posix_fallocate(file.fileno(), 0, room.f_bavail * room.f_frsize - size)

    def fill(self) -> None:
        """Take what room there is, to the last byte."""
        with (self.place / BALLAST).open("ab", buffering=0) as file:
            for size in (1 << 20, 1 << 12, 1):
                try:
                    while True:
                        file.write(bytes(size))
                except OSError:
                    continue

    def free(self) -> None:
        """Give the room back."""
        (self.place / BALLAST).unlink()

    def break_down(self) -> None:
        """Have ext4 find itself damaged: it lets nothing more be written."""
        _run("mount", "-o", "remount,abort", str(self.place))

    def mend(self) -> None:
        """Do what an administrator does then: nobody uses it, examine it, mount it again."""
        _run("umount", str(self.place))
        # 0: sound; 1: mended, fsck(8).
        _run("fsck.ext4", "-p", "-f", str(self.image), fine=(0, 1))
        _run("mount", "-o", "loop", str(self.image), str(self.place))


@contextmanager
def small_disk(place: Path, size_mb: int, *, kind: str = "ext4") -> Iterator[SmallDisk]:
    """Make and mount a file system; it is gone afterwards.

    Raises
    ------
    NoMount
        This user, or this machine, may not mount.
    """
    if os.geteuid() != 0:
        raise NoMount("only root may mount")
    place.mkdir(parents=True)
    image = place.with_name(place.name + ".img")
    try:
        if kind == "ext4":
            with image.open("wb") as file:
                file.truncate(size_mb << 20)
            _run("mkfs.ext4", "-q", "-m", "0", str(image))
            _run("mount", "-o", "loop", str(image), str(place))
        else:
            _run("mount", "-t", "tmpfs", "-o", f"size={size_mb}m", "tmpfs", str(place))
    except (OSError, subprocess.SubprocessError) as error:
        raise NoMount(f"{kind} cannot be mounted: {error}") from error
    try:
        yield SmallDisk(place, image, kind)
    finally:
        _run("umount", "-l", str(place))


def may_mount(folder: Path) -> str:
    """Say which kind of small disk can be had, nothing where none can."""
    for kind in ("ext4", "tmpfs"):
        try:
            with small_disk(folder / f"try-{kind}", 8, kind=kind):
                return kind
        except NoMount:
            continue
    return ""


def _run(*command: str, fine: tuple[int, ...] = (0,)) -> None:
    program = shutil.which(command[0], path=f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin")
    if program is None:
        raise NoMount(f"{command[0]} is not installed")
    done = subprocess.run(  # noqa: S603 - fixed programs of the system
        [program, *command[1:]], check=False, capture_output=True, text=True, timeout=60
    )
    if done.returncode not in fine:
        raise subprocess.SubprocessError(f"{' '.join(command)}: {done.stderr.strip()}")
