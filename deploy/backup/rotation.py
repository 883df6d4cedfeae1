"""Which backups a folder holds, and which of them go: only those of this store, never the newest."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from deploy.backup import files
from deploy.backup.manifest import MANIFEST, BackupError, Manifest, read

LEAD = "heatbook-"
"""What names of backups begin with."""

UNFINISHED = ".unfinished-"
"""What a folder's name begins with while it is made, or goes."""

_DAY_MS = 86_400_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Keep:
    """How many backups stay, and for how long [days]; None sets no bound."""

    number: int | None = None
    days: float | None = None


def backups_in(folder: Path) -> list[tuple[Path, Manifest]]:
    """Give the backups that a folder holds, the newest first; what cannot be read is none."""
    found = []
    for path in folder.glob(f"{LEAD}*"):
        if not (path / MANIFEST).is_file():
            continue
        try:
            found.append((path, read(path)))
        except BackupError:
            continue
    # By number: a clock that was set back must not make the newest look old.
    return sorted(found, key=lambda each: (each[1].number, each[0].name), reverse=True)


def rotate(folder: Path, store: str, keep: Keep, now_ms: int) -> list[Path]:
    """Remove the store's own backups that are more, or older, than are kept; give which.

    The newest stays, and the newest of those without problems: only that one can be put back whole.
    """
    own = [each for each in backups_in(folder) if each[1].store == store]
    gone = []
    whole = next((path for path, manifest in own if not manifest.problems), None)
    for place, (path, manifest) in enumerate(own):
        many = keep.number is not None and place >= keep.number
        old = keep.days is not None and now_ms - manifest.as_of_ms > keep.days * _DAY_MS
        if place > 0 and path != whole and (many or old):
            files.remove(path, UNFINISHED)
            gone.append(path)
    return gone
