"""Texts that a spreadsheet could run as a formula, wherever we write tables."""

from __future__ import annotations

FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
"""What such a text begins with; the last four are the first four in wide letters, which some take too."""


def runs(text: str) -> bool:
    """Say whether a spreadsheet could take a text, or a line of it, for a formula, even behind blanks."""
    return any(
        line.startswith(FORMULA) or line.lstrip().startswith(FORMULA)
        for line in (text, *text.splitlines())
    )
