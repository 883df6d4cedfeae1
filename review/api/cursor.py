"""Cursors: where a list goes on, as text that a client keeps and sends back unread."""

from __future__ import annotations

import base64
import binascii
import json
import re
from dataclasses import dataclass

from review.api.refusing import Refused, Wrong

FORMAT = "cursor"
"""What the description of the API calls their format."""

_MOST = 2**53


@dataclass(frozen=True, slots=True)
class Cursor:
    """The place of what was listed last: ``number`` orders the list, ``name`` what is alike in it."""

    number: int
    name: str = ""

    def __str__(self) -> str:
        packed = json.dumps([self.number, self.name], separators=(",", ":")).encode()
        return base64.urlsafe_b64encode(packed).rstrip(b"=").decode()


def cursor_of(text: str) -> Cursor:
    """Read a cursor.

    Raises
    ------
    Refused
        It is none that was given out.
    """
    try:
        found = json.loads(base64.b64decode(text + "=" * (-len(text) % 4), b"-_", True))
    except (binascii.Error, ValueError, RecursionError):
        found = None
    match found:
        case [bool(), _]:
            pass
        case [int(number), str(name)] if abs(number) <= _MOST and _NAME.fullmatch(name):
            return Cursor(number, name)
    what = "it is no cursor of this API; take it as it stands from `next` or the header Link"
    raise Refused("not-understood", what, errors=[Wrong(where="query.cursor", what=what)])


_NAME = re.compile(r"[\x20-\x7e]{0,100}")
