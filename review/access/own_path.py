"""Where to go after a form: to pages of our own alone, wherever the address came from."""

from __future__ import annotations

import re

LONGEST = 1_000
"""The longest path that is taken [characters]."""

_OWN = re.compile(r"/(?![/\\])[!-\[\]-~]*", re.ASCII)
"""One slash, then signs of ASCII without blanks or a backslash, which browsers read as a slash (URL Standard,
section 4.4): not a second slash, behind which another host would stand (RFC 3986, section 4.2)."""


def own_path(text: str, otherwise: str = "/") -> str:
    """Give a path of our own; ``otherwise`` where it is none, or one that signs in or out."""
    if len(text) > LONGEST or not _OWN.fullmatch(text):
        return otherwise
    return otherwise if text.startswith(("/sign-in", "/sign-out", "/static/")) else text
