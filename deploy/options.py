"""What the commands share: options, times as people write them, and how a command fails."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated, NoReturn

import typer

Config = Annotated[
    Path | None,
    typer.Option(
        help="Settings file (TOML). Default: $HEATBOOK_CONFIG, ./heatbook.toml, "
        "/etc/heatbook/heatbook.toml."
    ),
]
FleetFile = Annotated[
    Path | None, typer.Option("--fleet", help="Fleet file (TOML). Default: by settings.")
]


def moment_of(option: str, text: str) -> int:
    """Read a time [Unix ms] given on the command line."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        fail(f"{option} is {text!r}; write it like 2026-06-16T06:00:00Z", 2)
    if moment.tzinfo is None:
        fail(f"{option} {text} has no offset from UTC; add Z", 2)
    return round(moment.timestamp() * 1000)


def fail(text: str, code: int) -> NoReturn:
    """Say what went wrong and end the process."""
    typer.echo(text, err=True)
    raise SystemExit(code)
