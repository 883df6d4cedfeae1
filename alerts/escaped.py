"""Templates of our own, read so that all that comes in is escaped and nothing that is missing goes unseen."""

from __future__ import annotations

from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined


def templates_in(folder: Path) -> Environment:
    """Give the templates of a folder."""
    return Environment(
        loader=FileSystemLoader(folder),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
