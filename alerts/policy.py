"""What pages, and whom: the part of the settings that the journal applies."""

from __future__ import annotations

from dataclasses import dataclass

from models.transition import Priority


@dataclass(frozen=True, slots=True, kw_only=True)
class Route:
    """A channel by name, and the least priority it is told of."""

    channel: str
    min_priority: Priority = Priority.LOW


@dataclass(frozen=True, slots=True, kw_only=True)
class Policy:
    """How transitions become notices.

    ``late_after_ms``: what began longer ago than this when it was found pages nobody.
    ``quiet_when_over``: kinds that page nobody when already over at first sight (a whole fleet
    comes back from one radio hole: forty silences, none of them news).
    """

    routes: tuple[Route, ...] = ()
    late_after_ms: int = 15 * 60_000
    quiet_when_over: frozenset[str] = frozenset({"gateway_silent"})

    def channels(self, priority: Priority) -> tuple[str, ...]:
        """Give the channels that are told of this priority."""
        return tuple(route.channel for route in self.routes if priority >= route.min_priority)

    def fresh(self, time_ms: int, now_ms: int) -> bool:
        """Tell whether something of ``time_ms`` is still news at ``now_ms``."""
        return now_ms - time_ms <= self.late_after_ms
