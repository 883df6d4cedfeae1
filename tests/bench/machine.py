"""What a figure was measured on."""

from __future__ import annotations

import os
import platform
import re
import sqlite3
import subprocess
from importlib.metadata import version
from pathlib import Path

from deploy.broker import mosquitto_path

PARTS = ("paho-mqtt", "numpy", "numba", "msgspec")


def describe() -> str:
    """Name the machine and the versions of what does the work."""
    parts = [
        f"{os.cpu_count()} cores ({_processor()})",
        f"Python {platform.python_version()}",
        f"mosquitto {_mosquitto()}",
        *(f"{name} {version(name)}" for name in PARTS),
        f"SQLite {sqlite3.sqlite_version}",
    ]
    return "machine: " + ", ".join(parts)


def _processor() -> str:
    try:
        text = Path("/proc/cpuinfo").read_text(encoding="utf-8")
    except OSError:
        return platform.machine()
    found = re.search(r"model name\s*: (.*)", text)
    return found[1] if found else platform.machine()


def _mosquitto() -> str:
    path = mosquitto_path()
    if path is None:
        return "none"
    said = subprocess.run([path, "-h"], capture_output=True, text=True, check=False)  # noqa: S603
    found = re.search(r"version (\S+)", said.stdout)
    return found[1] if found else "unknown"
