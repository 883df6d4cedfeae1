"""What pages, and whom: the part of the settings that the journal applies."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from alerts.destination import channel_of
from alerts.life_rules import ChatterRules, HoldRules
from alerts.notice import Recipient
from alerts.people import next_destination, recipient
from alerts.routing import Call, Plan, Subject, calls, not_before_ms
from models.transition import Priority

__all__ = ["Policy", "Route", "Subject", "Telling", "at_once", "tellings_of"]


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

    ``routes`` go to machines and plain lists, ``plan`` to people. ``late_after_ms``: what began
    longer ago than this when it was found pages nobody.
    ``quiet_when_over``: kinds that page nobody when already over at first sight (a whole fleet
    comes back from one radio hole: forty silences, none of them news). ``latching``: kinds that
    stay until a person has looked, and from which priority on. ``avoided``: channels known to fail;
    people are told by another of their ways, if they have one.
    """

    routes: tuple[Route, ...] = ()
    late_after_ms: int = 15 * 60_000
    quiet_when_over: frozenset[str] = frozenset({"gateway_silent"})
    plan: Plan | None = None
    latching: Mapping[str, Priority] = field(default_factory=dict)
    chatter: ChatterRules = field(default_factory=ChatterRules)
    holds: HoldRules = field(default_factory=HoldRules)
    avoided: frozenset[str] = frozenset()

    def latches(self, kind: str, priority: Priority) -> bool:
        """Tell whether an alarm stays when its condition is over, until a person has looked."""
        least = self.latching.get(kind)
        return least is not None and priority >= least

    def tellings(self, subject: Subject, now_ms: int) -> tuple[Telling, ...]:
        """Give the destinations that are told of a subject."""
        machines = at_once(
            route.channel for route in self.routes if subject.priority >= route.min_priority
        )
        if self.plan is None:
            return machines
        people = tellings_of(calls(self.plan, subject, now_ms))
        return (*machines, *map(self._around, people))

    def again(
        self, destinations: Iterable[str], priority: Priority, now_ms: int
    ) -> tuple[Telling, ...]:
        """Tell these destinations more of what they were told; a person's hours hold here too."""
        return tuple(
            Telling(destination=each, not_before_ms=self._not_before_ms(each, priority, now_ms))
            for each in destinations
        )

    def next_way(self, destination: str) -> str | None:
        """Give by what way to reach the person at the end of ``destination`` when this one failed."""
        person = self.plan and self.plan.people.get(_person_of(destination))
        return next_destination(person, destination) if person else None

    def recipient(self, destination: str) -> Recipient | None:
        """Give who is at the end of a destination; None where that is no person of the plan."""
        person = self.plan and self.plan.people.get(_person_of(destination))
        return recipient(person, destination) if person else None

    def known(self, destination: str) -> bool:
        """Tell whether a destination can still be told: people only while they are in the plan."""
        return not _person_of(destination) or self.recipient(destination) is not None

    def fresh(self, time_ms: int, now_ms: int) -> bool:
        """Tell whether something of ``time_ms`` is still news at ``now_ms``."""
        return now_ms - time_ms <= self.late_after_ms

    def _around(self, telling: Telling) -> Telling:
        """Go round the channels that fail; where no way is left, the first is kept."""
        way: str | None = telling.destination
        while way is not None and channel_of(way) in self.avoided:
            way = self.next_way(way)
        return telling if way is None else replace(telling, destination=way)

    def _not_before_ms(self, destination: str, priority: Priority, now_ms: int) -> int:
        person = self.plan and self.plan.people.get(_person_of(destination))
        if not self.plan or not person:
            return 0
        return not_before_ms(self.plan, person, priority, now_ms)


def at_once(destinations: Iterable[str]) -> tuple[Telling, ...]:
    """Tell these destinations without waiting."""
    return tuple(Telling(destination=destination) for destination in destinations)


def tellings_of(called: Iterable[Call]) -> tuple[Telling, ...]:
    """Tell people by the first of their ways."""
    return tuple(
        Telling(destination=call.person.destinations[0], not_before_ms=call.not_before_ms)
        for call in called
    )


def _person_of(destination: str) -> str:
    return destination.partition("/")[2]
