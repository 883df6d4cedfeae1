"""The kept corpus: few short inputs that reach all that was reached; and what once broke something."""

from __future__ import annotations

import hashlib
import sys
from collections.abc import Callable, Iterable
from pathlib import Path
from types import FrameType
from typing import Any

HERE = Path(__file__).parent
CORPUS, FOUND = HERE / "corpus", HERE / "found"
OURS = tuple(
    str(HERE.parents[1] / name) for name in ("ingest", "alerts", "deploy", "review", "models")
)

Step = tuple[str, int, int]
"""A file and two lines of it, run one after the other."""


def corpus(name: str) -> list[bytes]:
    """Give the kept inputs of a target, and those that once broke something."""
    folders = (CORPUS / name, FOUND / name)
    return [file.read_bytes() for each in folders for file in sorted(each.glob("*"))]


def keep(name: str, inputs: Iterable[bytes]) -> int:
    """Keep these inputs and no others; give how many bytes they are."""
    folder = CORPUS / name
    folder.mkdir(parents=True, exist_ok=True)
    for file in folder.glob("*"):
        file.unlink()
    total = 0
    for data in inputs:
        (folder / hashlib.sha256(data).hexdigest()[:16]).write_bytes(data)
        total += len(data)
    return total


def fewest(check: Callable[[bytes], None], inputs: Iterable[bytes]) -> list[bytes]:
    """Leave out every input that reaches nothing which a shorter one, or one before, does not."""
    reached: set[Step] = set()
    found = []
    for data in sorted(set(inputs), key=lambda each: (len(each), each)):
        new = steps(check, data) - reached
        if new:
            reached |= new
            found.append(data)
    return found


def steps(check: Callable[[bytes], None], data: bytes) -> set[Step]:
    """Give the steps from line to line that our code takes with an input."""
    taken: set[Step] = set()
    _traced(check, data, lambda name, before, line: taken.add((name, before, line)))
    return taken


def work(check: Callable[[bytes], None], data: bytes) -> int:
    """Count the lines of ours that are run with an input: work, however fast the machine is."""
    count = 0

    def one(_name: str, _before: int, _line: int) -> None:
        nonlocal count
        count += 1

    _traced(check, data, one)
    return count


def _traced(
    check: Callable[[bytes], None], data: bytes, note: Callable[[str, int, int], None]
) -> None:
    def called(frame: FrameType, _event: str, _given: Any) -> Any:
        name = frame.f_code.co_filename
        if not name.startswith(OURS):
            return None
        before = 0

        def ran(frame: FrameType, event: str, _given: Any) -> Any:
            nonlocal before
            if event == "line":
                note(name, before, frame.f_lineno)
                before = frame.f_lineno
            return ran

        return ran

    before = sys.gettrace()
    sys.settrace(called)
    try:
        check(data)
    finally:
        sys.settrace(before)
