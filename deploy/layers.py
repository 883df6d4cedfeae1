"""Where settings come from besides the file: the environment and directories of secrets.

Both carry one value under one name, ``SECTION__KEY``; the names are checked against the keys
there are, since a misspelt name would otherwise be a setting that silently does nothing.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from deploy.keys import fields, is_mapping, is_sequence, kinds_at, leaves
from deploy.problems import unreadable
from review.problems import Problem, nearest

PREFIX = "HEATBOOK_"
CONFIG = "HEATBOOK_CONFIG"
SECRETS = "HEATBOOK_SECRETS"
SYSTEMD_CREDENTIALS = "CREDENTIALS_DIRECTORY"

#: Names with the prefix that are no settings.
RESERVED = frozenset(
    {
        CONFIG,
        SECRETS,
        "HEATBOOK_SIMULATE_PASSWORD",
        "HEATBOOK_TEST_BROKER",
        "HEATBOOK_TEST_INFLUXD",
        "HEATBOOK_TEST_INFLUX_ORG",
        "HEATBOOK_TEST_INFLUX_TOKEN",
        "HEATBOOK_TEST_INFLUX_URL",
        "HEATBOOK_TORTURE",
        "HEATBOOK_TORTURE_SEED",
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Layer:
    """Settings of one origin as nested tables, and how that origin spells a key."""

    table: Mapping[str, Any]
    name: str

    def place(self, parts: Sequence[str]) -> str:
        """Name a key as a person would find it there."""
        joined = "__".join(parts)
        # No str.format: a file's name may hold braces of its own.
        place = self.name.replace("{dotted}", ".".join(parts))
        return place.replace("{joined}", joined).replace("{shouted}", joined.upper())


def from_environment(
    env: Mapping[str, str], model: Any, problems: list[Problem]
) -> dict[str, Any]:
    """Give the settings of ``HEATBOOK_SECTION__KEY`` variables as nested tables."""
    named = {
        name: value
        for name, value in env.items()
        if name.startswith(PREFIX) and name not in RESERVED
    }
    found: dict[str, Any] = {}
    for name, value in sorted(named.items()):
        _place(name, name.removeprefix(PREFIX).lower(), value, model, found, problems)
    return found


def from_directory(folder: Path, model: Any, problems: list[Problem]) -> dict[str, Any]:
    """Give the settings of a directory with one file per value, e.g. ``mqtt__password``."""
    found: dict[str, Any] = {}
    try:
        # Names with a dot in front are the bookkeeping of whoever mounts the directory.
        files = sorted(file for file in folder.iterdir() if not file.name.startswith("."))
    except OSError as error:
        problem = unreadable(folder, error)
        mend = "name a directory that exists and can be read"
        problems.append(Problem(path=problem.path, what=problem.what, mend=mend))
        return found
    for file in files:
        try:
            value = file.read_bytes().decode().rstrip("\r\n")
        except (OSError, UnicodeDecodeError) as error:
            problems.append(unreadable(file, error))
            continue
        _place(str(file), file.name.lower(), value, model, found, problems)
    return found


def _place(
    shown: str,
    key: str,
    value: str,
    model: Any,
    found: dict[str, Any],
    problems: list[Problem],
) -> None:
    """Put a value where its name says, or say that there is no such setting."""
    parts = key.split("__")
    kinds = kinds_at(model, parts)
    if not kinds or any(fields(kind) or is_mapping(kind) for kind in kinds):
        known = ["__".join(path) for path in leaves(model)]
        if shown.startswith(PREFIX):
            known = [PREFIX + name.upper() for name in known]
        word = shown if shown.startswith(PREFIX) else key
        mend = nearest(word, known, "name")
        problems.append(Problem(path=shown, what="no setting has this name", mend=mend))
        return
    table = found
    for part in parts[:-1]:
        table = table.setdefault(part, {})
    try:
        table[parts[-1]] = _value(value, sequence=any(map(is_sequence, kinds)))
    except ValueError:
        mend = 'write words with blanks between, or a JSON list like ["a", "b"]'
        problems.append(Problem(path=shown, what="is not a list", mend=mend))


def _value(text: str, *, sequence: bool) -> object:
    if not sequence:
        return text
    if text.lstrip().startswith("["):
        return json.loads(text)
    return text.split()
