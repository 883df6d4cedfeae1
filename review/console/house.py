"""What all pages of the console share."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from alerts.policy import Policy
from alerts.teller import Teller
from models.units import Units
from review.access.gate import Gate
from review.board import Board
from review.installation import Installation
from review.kinds import WORDS
from review.reading import Reader
from review.store import Clock, Store


@dataclass(frozen=True, slots=True, kw_only=True)
class House:
    """The store, how to read it, the fleet as it stands, and by what people are told.

    ``names``: what people call each truck. ``groups``: trucks by the name of their group.
    ``calendar_url`` gives the private address of the calendar of a truck, or of all (``*``).
    """

    store: Store
    reader: Reader
    policy: Policy
    units: Units
    names: Mapping[str, str]
    groups: Mapping[str, frozenset[str]]
    gate: Gate
    board: Board
    uptime_ms: Clock
    installation: Installation = field(default_factory=Installation)
    calendar_url: Callable[[str], str] | None = None

    def now_ms(self) -> int:
        """Give the time [Unix ms]."""
        return self.reader.now_ms()

    def teller(self, units: Units) -> Teller:
        """Give how alarms are worded for somebody with these units."""
        return Teller(words=WORDS, units=units, names=self.names)
