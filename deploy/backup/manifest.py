"""What a backup says of itself: which store, of when, of which version, and each file with its hash.

It is written last, in a folder that has another name until all is safe: a folder with a manifest is whole.
"""

from __future__ import annotations

import hashlib
from pathlib import Path, PurePath

import msgspec

MANIFEST = "manifest.json"

FORMAT = 1
"""The layout of a backup; one of a later layout is refused."""

STORE = "heatbook.db"
ARCHIVE = "archive"
SETTINGS = "settings"

_CHUNK = 1 << 20


class BackupError(Exception):
    """A backup cannot be made, read or put back: what is wrong, and how to mend it."""


class Part(msgspec.Struct, frozen=True, kw_only=True):
    """A file of a backup; ``path`` is relative to its folder, ``mtime_ns`` that of what was copied."""

    path: str
    bytes: int
    sha256: str
    mtime_ns: int = 0


class Counts(msgspec.Struct, frozen=True, kw_only=True):
    """How much a backup holds."""

    trucks: int
    months: int
    sealed_samples: int
    journal_rows: int
    entries: int
    alarms: int


class Manifest(msgspec.Struct, frozen=True, kw_only=True):
    """What a backup says of itself; ``number`` counts on in its folder, whatever the clock says."""

    format: int
    number: int
    heatbook: str
    models: str
    store: str
    as_of_ms: int
    as_of: str
    schema: dict[str, int]
    archive: str
    counts: Counts
    parts: list[Part]
    left_out: list[str]
    problems: list[str]

    @property
    def bytes(self) -> int:
        """The size of all files together, those shared with other backups included."""
        return sum(part.bytes for part in self.parts)


class _Format(msgspec.Struct, frozen=True):
    """All that is read of a manifest before it is known whether the rest can be."""

    format: int
    heatbook: str = "unknown"


def write(folder: Path, manifest: Manifest) -> bytes:
    """Give a manifest as it is written."""
    body = msgspec.json.format(msgspec.json.encode(manifest), indent=1) + b"\n"
    (folder / MANIFEST).write_bytes(body)
    return body


def read(folder: Path) -> Manifest:
    """Read the manifest of a backup.

    Raises
    ------
    BackupError
        The folder is no backup, or one of a later Heatbook.
    """
    try:
        body = (folder / MANIFEST).read_bytes()
    except OSError as error:
        raise BackupError(
            f"{folder} is no backup: its {MANIFEST} cannot be read ({error.strerror}); name the folder "
            "of one backup, 'heatbook backup list' lists them"
        ) from error
    try:
        first = msgspec.json.decode(body, type=_Format)
        if first.format > FORMAT:
            raise BackupError(
                f"{folder} was made by a later Heatbook ({first.heatbook}, layout {first.format}, this one "
                f"knows {FORMAT}); install that version"
            )
        told = msgspec.json.decode(body, type=Manifest)
    except msgspec.MsgspecError as error:
        raise BackupError(
            f"the {MANIFEST} of {folder} is damaged ({error}); take another backup"
        ) from error
    for part in told.parts:
        # A backup may come from anywhere: a restore writes nothing outside of its own place.
        if PurePath(part.path).is_absolute() or ".." in PurePath(part.path).parts:
            raise BackupError(
                f"the {MANIFEST} of {folder} names {part.path!r}, which leads out of it; somebody has "
                "changed it: take another backup"
            )
    return told


def hash_of(path: Path) -> str:
    """Give the SHA-256 of a file."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while chunk := file.read(_CHUNK):
            digest.update(chunk)
    return digest.hexdigest()
