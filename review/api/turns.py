"""Long computing has few turns: whoever asks for more of it at once is told to come again.

A what-if or a review takes seconds of a processor. Each runs in one of the threads from which all pages are
answered, beside the thread that takes samples in: one caller must not take them all.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from threading import BoundedSemaphore

from review.api.refusing import Refused

AT_ONCE = 2
"""So many are computed at one time; own choice: a small machine has no more processors."""

AGAIN_S = 5
"""When who found no turn may ask again [s]; own choice."""


@dataclass(frozen=True, slots=True)
class Turns:
    """Gives turns."""

    _free: BoundedSemaphore = field(default_factory=lambda: BoundedSemaphore(AT_ONCE))

    @contextmanager
    def one(self) -> Iterator[None]:
        """Take a turn.

        Raises
        ------
        Refused
            None is free.
        """
        if not self._free.acquire(blocking=False):
            raise Refused(
                "too-many",
                f"{AT_ONCE} long answers are being computed; ask again in {AGAIN_S} s",
                headers={"Retry-After": str(AGAIN_S)},
            )
        try:
            yield
        finally:
            self._free.release()
