"""Templates of our own, read so that all that comes in is escaped and nothing that is missing goes unseen.

They come from files alone: no text of a truck or a person is ever one. The sandbox is a second wall: even a
template could not reach Python's insides, nor change what it is given.
"""

from __future__ import annotations

from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from jinja2.sandbox import ImmutableSandboxedEnvironment


def templates_in(folder: Path) -> Environment:
    """Give the templates of a folder."""
    return ImmutableSandboxedEnvironment(
        loader=FileSystemLoader(folder),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
