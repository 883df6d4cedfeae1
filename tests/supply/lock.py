"""The locks: every dependency by name, version and hashes."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[2]
LOCKS = {
    "run": ROOT / "deploy" / "requirements.lock",
    "dev": ROOT / "deploy" / "requirements-dev.lock",
}

_ENTRY = re.compile(
    r"^(?P<name>[A-Za-z0-9][A-Za-z0-9._-]*)==(?P<version>[^\s;\\]+)(?P<marker>\s*;[^\\]*)?"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Locked:
    """A dependency; ``marker``: on which systems alone."""

    name: str
    version: str
    marker: str
    hashes: tuple[str, ...]


def read_lock(path: Path) -> list[Locked]:
    """Read a lock; whatever in it is no entry is an error."""
    found = []
    for entry in re.split(r"\n(?=\S)", path.read_text(encoding="utf-8").strip()):
        match = _ENTRY.match(entry)
        rest = "" if match is None else entry[match.end() :]
        hashes = re.findall(r"--hash=(\S+)", rest)
        if match is None or re.sub(r"--hash=\S+|[\\\s]", "", rest):
            raise ValueError(f"{path.name}: not an entry: {entry[:80]!r}")
        found.append(
            Locked(
                name=canonicalize_name(match["name"]),
                version=match["version"],
                marker=(match["marker"] or "").strip(" ;"),
                hashes=tuple(hashes),
            )
        )
    return found
