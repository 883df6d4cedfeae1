"""What pages, and whom: the part of the settings that the journal applies."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from models.transition import Priority


@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """What is to be told, as far as it decides who is told."""

    vehicle: str
    kind: str
    priority: Priority


@dataclass(frozen=True, slots=True, kw_only=True)
class Telling:
    """One destination, and when it may be told at the earliest [Unix ms] (quiet hours)."""

    destination: str
    not_before_ms: int = 0


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

    def tellings(self, subject: Subject, now_ms: int) -> tuple[Telling, ...]:
        """Give the destinations that are told of a subject."""
        del now_ms
        return at_once(
            route.channel for route in self.routes if subject.priority >= route.min_priority
        )

    def fresh(self, time_ms: int, now_ms: int) -> bool:
        """Tell whether something of ``time_ms`` is still news at ``now_ms``."""
        return now_ms - time_ms <= self.late_after_ms


def at_once(destinations: Iterable[str]) -> tuple[Telling, ...]:
    """Tell these destinations without waiting."""
    return tuple(Telling(destination=destination) for destination in destinations)
