"""Find every process that a command has started, however far it has moved from it."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from uuid import uuid4

MARK = "E2E_MARK"


@dataclass(frozen=True, slots=True, kw_only=True)
class Marked:
    """A running command; what it starts inherits the mark in its environment."""

    process: subprocess.Popen[str]
    mark: str

    @property
    def family(self) -> set[int]:
        """The processes that bear the mark and still run, the command itself included."""
        return {
            int(folder.name)
            for folder in Path("/proc").iterdir()
            if folder.name.isdigit() and _bears(folder, f"{MARK}={self.mark}")
        }

    @property
    def left(self) -> set[int]:
        """The processes it has left behind."""
        return self.family - {self.process.pid}


def start(*words: str, log: Path) -> Marked:
    """Start ``heatbook`` with these words; what it says goes to a file."""
    mark = uuid4().hex
    with log.open("wb") as out:
        process = subprocess.Popen(  # noqa: S603 - our own command
            [sys.executable, "-c", "import heatbook; heatbook.main()", *words],
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=out,
            text=True,
            env={**os.environ, MARK: mark, "COLUMNS": "160"},
            start_new_session=True,
        )
    return Marked(process=process, mark=mark)


def _bears(folder: Path, entry: str) -> bool:
    try:
        given = (folder / "environ").read_bytes().split(b"\0")
        state = (folder / "stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return False  # it has just ended, or is not ours
    return entry.encode() in given and state != "Z"
