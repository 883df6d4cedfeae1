"""Reading the unit files that ship, and what systemd makes of their filters."""

from __future__ import annotations

import subprocess
from pathlib import Path

UNITS = Path(__file__).resolve().parents[2] / "deploy" / "systemd"


def settings_of(name: str) -> dict[str, list[str]]:
    """Give what a unit says, key by key; a key may stand there more than once."""
    found: dict[str, list[str]] = {}
    for line in (UNITS / name).read_text().splitlines():
        key, equals, value = line.partition("=")
        if equals and not line.startswith("#"):
            found.setdefault(key, []).append(value)
    return found


def calls_in(group: str) -> set[str]:
    """Give the system calls of a group such as ``@system-service``, with the groups inside it."""
    command = ["systemd-analyze", "syscall-filter", group]
    listed = subprocess.run(command, capture_output=True, text=True, check=True)  # noqa: S603
    calls: set[str] = set()
    for line in listed.stdout.splitlines()[1:]:
        word = line.strip()
        if word.startswith("@"):
            calls |= calls_in(word)
        elif word and not word.startswith("#"):
            calls.add(word)
    return calls


def allowed_calls(name: str) -> set[str]:
    """Give the system calls that a unit's filter lets through (man systemd.exec, SystemCallFilter=)."""
    # The manager lets these through with every list of what is allowed.
    allowed = calls_in("@default")
    for value in settings_of(name)["SystemCallFilter"]:
        groups = value.removeprefix("~").split()
        calls: set[str] = set().union(*(calls_in(group) for group in groups))
        allowed = allowed - calls if value.startswith("~") else allowed | calls
    return allowed
