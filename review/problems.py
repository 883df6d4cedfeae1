"""What is wrong with what people wrote or asked for: where, what, and how to mend it."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One thing wrong: the key path (after the file, if in one), what, and how to mend it."""

    path: str
    what: str
    mend: str
    warning: bool = False

    def __str__(self) -> str:
        return f"{self.path}: {self.what}; {self.mend}"


class BadSettings(Exception):
    """The settings or the fleet file cannot be used; carries every problem found."""

    exit_code = 78  # EX_CONFIG of sysexits.h: a supervisor should not try again

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(map(str, self.problems)))


class Mistake(ValueError):
    """What somebody asked for cannot be done; the message says why and how to mend it."""

    exit_code = 1


def nearest(word: str, known: Iterable[str], kind: str = "key") -> str:
    """Name the known key (or other ``kind`` of name) that is most like ``word``."""
    match = difflib.get_close_matches(word, sorted(known), n=1, cutoff=0.0)
    return f"the nearest known {kind} is {match[0]!r}" if match else "remove it"
