"""Settings files and secrets directories for the tests of the settings."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from deploy.settings import BadSettings, Loaded, Problem, load_settings


def load(
    folder: Path,
    text: str,
    env: Mapping[str, str] | None = None,
    secrets: Mapping[str, str] | None = None,
    **more: Any,
) -> Loaded:
    file = folder / "heatbook.toml"
    file.write_text(text, encoding="utf-8")
    file.chmod(0o640)
    if secrets is not None:
        more["secrets"] = fill(folder / "secrets", secrets)
    return load_settings(config=file, env=env or {}, **more)


def fill(folder: Path, secrets: Mapping[str, str]) -> Path:
    folder.mkdir()
    for name, value in secrets.items():
        (folder / name).write_text(value, encoding="utf-8")
    return folder


def problems(
    folder: Path,
    text: str = "",
    env: Mapping[str, str] | None = None,
    secrets: Mapping[str, str] | None = None,
) -> dict[str, Problem]:
    with pytest.raises(BadSettings) as caught:
        load(folder, text, env, secrets)
    assert caught.value.exit_code == 78
    return {
        problem.path.removeprefix(f"{folder}/").removeprefix("heatbook.toml: "): problem
        for problem in caught.value.problems
    }
