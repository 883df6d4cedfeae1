"""What ``heatbook check`` says of the folder for backups: whether the next one can be written there."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

from deploy.broker_check import Finding
from deploy.settings import Loaded


def backup_findings(loaded: Loaded) -> Iterator[Finding]:
    """Try the folder of ``[backup]``, or where it would be made."""
    folder = loaded.settings.backup.folder
    if folder is None:
        return
    where = f"backup.folder: {folder}"
    standing = next(each for each in (folder, *folder.absolute().parents) if _there(each))
    if not standing.is_dir():
        what = where if standing == folder else f"{where} would lie in {standing}, which"
        yield Finding(
            level="fault", what=f"{what} is a file, not a folder", mend="Name a folder there"
        )
    elif (reason := _why_not(standing)) is not None:
        yield Finding(
            level="fault",
            what=f"{where}: nothing can be written to {standing} ({reason})",
            mend="Give it to the user that makes the backups, mount its disk for writing, or name another",
        )
    elif standing != folder:
        yield Finding(
            level="caution",
            what=f"{where} is not there; the next backup makes it",
            mend="If it lies on a disk or share of its own, mount that first",
        )
    else:
        yield Finding(level="good", what=f"{where} can be written")


def _there(folder: Path) -> bool:
    """Say whether there is something of that name, be it out of reach."""
    try:
        return folder.exists()
    except OSError:
        return True


def _why_not(folder: Path) -> str | None:
    """Say why nothing can be written to a folder; what is tried has no name and leaves nothing."""
    try:
        with tempfile.TemporaryFile(dir=folder):
            return None
    except OSError as error:
        return error.strerror or str(error)
