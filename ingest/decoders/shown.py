"""Foreign text, made short and printable enough to stand in a sentence."""

from __future__ import annotations

LONGEST = 60
"""Characters of foreign text shown in a reason; the raw bytes are kept beside it."""


def shown(value: object) -> str:
    """Write a foreign value for a person: escaped, printable, cut to `LONGEST` characters."""
    # A slice first: the text may be a quarter of a megabyte.
    head = value[:LONGEST] if isinstance(value, str | bytes | bytearray) else value
    if isinstance(head, bytes | bytearray):
        head = head.decode("utf-8", "replace")
        text = ascii(head)[1:-1]
    else:
        text = ascii(head)
    cut = len(text) > LONGEST or (isinstance(value, str | bytes) and len(value) > LONGEST)
    return text[:LONGEST] + "…" if cut else text
