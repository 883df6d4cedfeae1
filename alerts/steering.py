"""Signs of foreign texts that no reader is to obey, whatever shows them."""

from __future__ import annotations

import re

_STEERING = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]")
"""C0 and C1, separators of lines, and what turns the order of letters about (Unicode Annex 9)."""


def unsteered(text: str) -> str:
    """Put a blank in place of each; lines and tabs stay."""
    return _STEERING.sub(" ", text.replace("\r\n", "\n"))
