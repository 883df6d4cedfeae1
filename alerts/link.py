"""The daemon's own connection to the broker, as far as a silence is judged by it. Pure."""

from __future__ import annotations

from dataclasses import dataclass

DEAF_MS = 60_000
"""An absence from which on time is given anew to be heard again [ms]; own choice. In a shorter one
nothing is missed: the broker keeps what comes for us, and gateways are back before they count as silent."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """Whether it stands, since when [Unix ms], and for how long it was down before that [ms].

    ``refused``: the broker is there and does not let us in.
    """

    connected: bool
    since_ms: int = 0
    deaf_ms: int = 0
    refused: bool = False

    def down_ms(self, now_ms: int) -> int:
        """Give for how long it has been down [ms], 0 while it stands."""
        return 0 if self.connected else max(0, now_ms - self.since_ms)

    def heard_until(self, now_ms: int) -> int:
        """Give up to when something could be heard [Unix ms]."""
        return now_ms if self.connected else min(now_ms, self.since_ms)

    @property
    def listening_since_ms(self) -> int:
        """Since when it can be heard again after an absence worth the name [Unix ms], else 0."""
        return self.since_ms if self.connected and self.deaf_ms > DEAF_MS else 0


UP = Link(connected=True)
"""A connection that has always stood."""


def follow(link: Link, now_ms: int, *, connected: bool, refused: bool) -> Link:
    """Give the link as it is after another look; what comes and goes between two looks is not seen."""
    if connected == link.connected:
        return Link(
            connected=connected, since_ms=link.since_ms, deaf_ms=link.deaf_ms, refused=refused
        )
    return Link(
        connected=connected, since_ms=now_ms, deaf_ms=link.down_ms(now_ms), refused=refused
    )
