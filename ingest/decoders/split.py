"""Take a payload apart into samples, even where it is not JSON as a whole.

One NaN makes a whole array unreadable to a JSON parser. Where the brackets still show which
sample it stands in, the others are kept.
"""

from __future__ import annotations

import re
from typing import NamedTuple

import msgspec

from ingest.decoders.verdict import UNREADABLE, Fault

BLANK = b" \t\r\n"

elements = msgspec.json.Decoder(list[msgspec.Raw])
# A string that is never closed runs to the end: no second look at it, so the time stays linear.
tokens = re.compile(rb'"(?:[^"\\]|\\.)*+"?|[\[\]{},]', re.DOTALL)


class Pieces(NamedTuple):
    """The samples' bytes; whether they stood in an array, and whether it was well formed."""

    raw: list[bytes]
    array: bool
    sound: bool


def split(payload: bytes, *, most: int) -> Pieces | Fault:
    """Give the bytes of each sample, or what is wrong with the payload as a whole."""
    body = payload.strip(BLANK)
    if not body:
        return Fault("empty", "payload", "the payload is empty; send a sample as a JSON object")
    if not body.startswith(b"["):
        return Pieces([payload], array=False, sound=True)
    try:
        raw, sound = [bytes(element) for element in elements.decode(body)], True
    except UNREADABLE:
        raw, sound = _split_broken(body, most), False
    if len(raw) > most:
        detail = f"the array holds more than {most} samples; send smaller arrays"
        return Fault("too_many_samples", "payload", detail)
    if sound and not raw:
        return Fault("empty", "payload", "the array holds no sample; leave such messages out")
    return Pieces(raw, array=True, sound=sound)


def _split_broken(body: bytes, most: int) -> list[bytes]:
    pieces: list[bytes] = []
    depth, start, rest = 0, 0, b""
    for token in tokens.finditer(body):
        mark = token[0]
        if mark in (b"[", b"{"):
            depth += 1
            start = token.end() if depth == 1 else start
        elif mark in (b"]", b"}"):
            depth -= 1
        if (mark == b"," and depth == 1) or depth == 0:
            pieces.append(body[start : token.start()])
            start = token.end()
        if depth == 0 or len(pieces) > most:
            break
    rest = body[start:]
    return [piece.strip(BLANK) for piece in (*pieces, rest) if piece.strip(BLANK)]
