"""What was read last from the archive, kept for who walks through history a few hours at a time."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Hashable
from typing import Generic, TypeVar

_Kept = TypeVar("_Kept")


class Recent(Generic[_Kept]):
    """The things that were used last, at most so many; may be shared by threads."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._lock = threading.Lock()
        self._kept: OrderedDict[Hashable, _Kept] = OrderedDict()

    def get(self, key: Hashable) -> _Kept | None:
        """Give what is kept under a key."""
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
            return self._kept.get(key)

    def put(self, key: Hashable, one: _Kept) -> None:
        """Keep something; what was not used for longest goes."""
        with self._lock:
            self._kept[key] = one
            self._kept.move_to_end(key)
            while len(self._kept) > self._most:
                self._kept.popitem(last=False)

    def forget(self, key: Hashable) -> None:
        """Let go of what is kept under a key."""
        with self._lock:
            self._kept.pop(key, None)
