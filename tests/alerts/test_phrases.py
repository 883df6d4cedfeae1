"""Words that all of Heatbook shares."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from alerts.phrases import size_words

ROOT = Path(__file__).parents[2]

OWN_WAY = re.compile(r"\}\s?[kMGT]i?B\b|\d[kMGT]iB\b|[\"' ][kMGT]iB[\"']")
"""A number with a unit of size put behind it by hand."""


@pytest.mark.parametrize(
    ("size", "words"),
    [
        (None, "none"),
        (0, "0 B"),
        (999, "999 B"),
        (1_000, "1 kB"),
        (1_024, "1.02 kB"),
        (12_345, "12.3 kB"),
        (999_499, "999 kB"),
        (999_500, "1 MB"),
        (157_286_400, "157 MB"),
        (900_000_000.0, "900 MB"),
        (1_000_000_000, "1 GB"),
        (2**31, "2.15 GB"),
        (1_234_567_890_123, "1.23 TB"),
        (5 * 10**15, "5,000 TB"),
    ],
)
def test_sizes_are_decimal_in_three_figures(size: float | None, words: str) -> None:
    """SI prefixes: powers of ten, as disks are sold and as the settings of room ask for them (MB)."""
    assert size_words(size) == words


def test_nobody_writes_sizes_a_way_of_his_own() -> None:
    packages = ("models", "ingest", "alerts", "review", "simulator", "deploy")
    own = [
        f"{file.relative_to(ROOT)}: {line.strip()}"
        for package in packages
        for file in (ROOT / package).rglob("*")
        if file.suffix in (".py", ".html", ".js")
        for line in file.read_text(encoding="utf-8").splitlines()
        if OWN_WAY.search(line)
    ]
    assert own == []
