"""Text that others wrote, made fit for a terminal or a picture."""

from __future__ import annotations


def harmless(text: str) -> str:
    """Write out what would steer a terminal; line ends and tabs may stay."""
    return "".join(
        sign if sign.isprintable() or sign in "\n\t" else sign.encode("unicode_escape").decode()
        for sign in text
    )
