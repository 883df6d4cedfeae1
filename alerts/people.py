"""The people who are told: by what ways, in what units, at what hours. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import tzinfo

from alerts.hours import ALWAYS, Hours
from alerts.notice import Recipient
from models.units import Units


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """How somebody is reached: a channel by name, and the address in that channel's own form."""

    channel: str
    address: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """Somebody who is told; ``ways`` in the order in which they are tried, each channel once.

    ``hours`` in ``zone``: outside them lesser notices wait. ``reads`` names the reports they want.
    """

    key: str
    name: str
    ways: tuple[Way, ...]
    units: Units
    zone: tzinfo
    hours: Hours = ALWAYS
    reads: frozenset[str] = frozenset()

    @property
    def destinations(self) -> tuple[str, ...]:
        """The destination of each way."""
        return tuple(f"{way.channel}/{self.key}" for way in self.ways)


def recipient(person: Person, destination: str) -> Recipient | None:
    """Give a person as the end of one of their destinations; None where it is none of theirs."""
    for way, own in zip(person.ways, person.destinations, strict=True):
        if own == destination:
            return Recipient(
                name=person.name, address=way.address, units=person.units, zone=person.zone
            )
    return None


def next_destination(person: Person, destination: str) -> str | None:
    """Give the way to try after ``destination``; None when it was the last, or is none of theirs."""
    if destination not in person.destinations:
        return None
    rest = person.destinations[person.destinations.index(destination) + 1 :]
    return next(iter(rest), None)
