"""What can go wrong between the broker and us, by what the caller can do about it."""

from __future__ import annotations

from typing import Final


class BrokerLost(Exception):
    """The connection is gone or did not come about; trying again is all there is to do."""

    def __init__(self, *, reason: str) -> None:
        super().__init__(reason)
        self.reason: Final = reason


class BadBroker(Exception):
    """The settings or the broker must be mended by a person; trying again alone will not do."""

    def __init__(self, *, what: str, mend: str) -> None:
        super().__init__(f"{what} {mend}")
        self.what: Final = what
        self.mend: Final = mend
