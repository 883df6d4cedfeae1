"""Thousands of bad messages more, derived: each bad sample alone, in arrays, among good ones, with blanks."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import NamedTuple

from tests.bad_maker import BadPayload, Maker
from tests.bad_values import BAD_VALUES


class Derived(NamedTuple):
    """A message: what its first refusal must be, how many refusals, how many good samples are kept."""

    bad: BadPayload
    refused: int
    good: int


def _good(count: int) -> list[bytes]:
    return [b'{"time":%d,"gear":3}' % (1_771_000_000 + number) for number in range(count)]


def _array(*samples: bytes) -> bytes:
    return b"[" + b",".join(samples) + b"]"


WAYS: Mapping[str, Callable[[bytes], tuple[bytes, int, int]]] = {
    "alone in an array": lambda bad: (_array(bad), 1, 0),
    "after a good one": lambda bad: (_array(*_good(1), bad), 1, 1),
    "before a good one": lambda bad: (_array(bad, *_good(1)), 1, 1),
    "between good ones": lambda bad: (_array(_good(2)[0], bad, _good(2)[1]), 1, 2),
    "twice": lambda bad: (_array(bad, *_good(1), bad), 2, 1),
    "after nine good ones": lambda bad: (_array(*_good(9), bad), 1, 9),
    "with blanks around": lambda bad: (b" \r\n\t" + bad + b"\n\n ", 1, 0),
    "with blanks in an array": lambda bad: (
        b"\n[ " + bad + b"\t,\r\n" + _good(1)[0] + b" ] ",
        1,
        1,
    ),
}
"""Ways to derive: the payload, the refusals in it, the good samples."""


def derived(now_ms: int, vehicle: str = "NF-01") -> Iterator[Derived]:
    """Give all of them, as received at ``now_ms`` [Unix ms]."""
    maker = Maker(now_ms, vehicle)
    for make in BAD_VALUES:
        for case in make(maker):
            if case.payload.startswith(b"{"):
                for way in WAYS.values():
                    payload, refused, good = way(case.payload)
                    yield Derived(case._replace(payload=payload), refused, good)
