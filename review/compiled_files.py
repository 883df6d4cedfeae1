"""Compiled models are kept so that a power cut leaves them whole or not at all, and a full disk stops nobody.

The compiler renames a finished file into its place but does not sync it first: after a power cut the name may
stand for an empty file, and each start from then on would end with an error about it.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from io import BytesIO
from pathlib import Path
from typing import IO
from uuid import uuid4


def keep_whole() -> None:
    """Have the compiler write its files our way; call before anything is compiled."""
    from numba.core import caching  # noqa: PLC0415 -- slow, and only for who computes

    setattr(caching.IndexDataCacheFile, "_open_for_write", _written)  # noqa: B010 -- its own name for it


@contextmanager
def _written(_self: object, filepath: str) -> Iterator[IO[bytes]]:
    """Give a file to write; it gets its name when it is safe. What cannot be kept is compiled again."""
    unfinished = Path(f"{filepath}.tmp.{uuid4().hex[:16]}")
    try:
        file = unfinished.open("wb")
    except OSError:
        yield BytesIO()
        return
    try:
        with file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        unfinished.replace(filepath)
    except OSError:
        with suppress(OSError):
            unfinished.unlink()
