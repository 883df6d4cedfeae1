"""The list of log events is what the code logs: no more, no less."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
CALL = re.compile(
    r"(?:\blog\.(?:debug|info|warning|error|exception)|_complain)\(\s*\"([a-z_]+\.[a-z_]+)\""
)
LISTED = re.compile(r"`([a-z_]+\.[a-z_]+)`")


def test_every_log_event_is_listed_and_every_listed_one_is_logged() -> None:
    logged = {
        event
        for package in ("ingest", "alerts", "review", "deploy", "simulator")
        for file in (ROOT / package).rglob("*.py")
        for event in CALL.findall(file.read_text(encoding="utf-8"))
    }
    text = (ROOT / "deploy" / "README.md").read_text(encoding="utf-8")
    section = text.split("## What the daemon logs")[1]
    assert set(LISTED.findall(section)) == logged
