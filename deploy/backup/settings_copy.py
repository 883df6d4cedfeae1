"""The settings, fleet and people files in a backup, without what lets somebody in."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from pydantic import BaseModel, SecretStr

from deploy.backup import files
from deploy.backup.manifest import SETTINGS, Part
from deploy.settings import Loaded

LEFT_OUT = "left-out-of-the-backup"
"""What stands where a secret stood."""


_NAMES = frozenset({"password", "secret", "secrets", "token", "url"})
"""Keys below which every text counts as a secret, beside what the settings' own types say."""


def copy_settings(loaded: Loaded, folder: Path) -> tuple[list[Part], list[str]]:
    """Copy the files that there are; give them, and what was left out, in words."""
    parts: list[Part] = []
    left: list[str] = []
    secrets = tuple(_secrets_of(loaded.settings))
    for name, file in (
        ("heatbook.toml", loaded.file),
        ("fleet.toml", loaded.fleet_file),
        ("people.toml", loaded.people_file),
    ):
        if file is None:
            continue
        try:
            text = file.read_text(encoding="utf-8")
        except OSError as error:
            left.append(f"{file}: cannot be read ({error.strerror})")
            continue
        clean = without_secrets(text, secrets)
        if clean is None:
            left.append(f"{file}: has secrets that could not be told from the rest")
            continue
        if clean != text:
            left.append(f"the secrets in {file}: '{LEFT_OUT}' stands in their place")
        path = f"{SETTINGS}/{name}"
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        (folder / path).write_text(clean, encoding="utf-8")
        parts.append(files.part_of(folder, path))
    left.append(
        "secrets directory, environment, TLS keys and certificates: keep them elsewhere"
    )
    return parts, left


def without_secrets(text: str, secrets: Sequence[str]) -> str | None:
    """Give a TOML text with every secret replaced; None where one of them would remain.

    ``secrets`` are values that the settings hold; in the text those of keys that name secrets count too.
    """
    try:
        found = {*secrets, *_by_key(tomllib.loads(text), hidden=False)} - {"", LEFT_OUT}
    except tomllib.TOMLDecodeError:
        return None
    for value in sorted(found, key=len, reverse=True):
        text = re.sub(rf"([\"'])({re.escape(value)})\1", rf"\g<1>{LEFT_OUT}\g<1>", text)
    remaining = set(_by_key(tomllib.loads(text), hidden=False)) - {"", LEFT_OUT}
    return None if remaining or any(f'"{value}' in text for value in found) else text


def _by_key(value: object, *, hidden: bool) -> Iterator[str]:
    """Give all texts below keys that name secrets."""
    if isinstance(value, Mapping):
        for name, each in value.items():
            yield from _by_key(each, hidden=hidden or name in _NAMES)
    elif isinstance(value, list):
        for each in value:
            yield from _by_key(each, hidden=hidden)
    elif hidden and isinstance(value, str):
        yield value


def _secrets_of(value: Any) -> Iterator[str]:
    """Give every secret that the settings hold, wherever it came from."""
    if isinstance(value, SecretStr):
        yield value.get_secret_value()
    elif isinstance(value, BaseModel):
        for name in type(value).model_fields:
            yield from _secrets_of(getattr(value, name))
    elif isinstance(value, Mapping):
        for each in value.values():
            yield from _secrets_of(each)
    elif isinstance(value, tuple | list):
        for each in value:
            yield from _secrets_of(each)
