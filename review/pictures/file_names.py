"""Which names a file of a picture may have."""

from __future__ import annotations

from pathlib import Path

from review.problems import Mistake


def drawable(path: Path | None) -> Path | None:
    """Refuse a name of a picture before anything is done for it."""
    if path is not None and path.suffix.lower() not in (".svg", ".png"):
        raise Mistake(f"{path} is no picture that can be drawn; end its name in .svg or .png")
    return path
