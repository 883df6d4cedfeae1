"""The fleet at one moment: every truck, what needs somebody and what nobody can see."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from alerts.ledger import Alarm
from alerts.watch import EVERYBODY
from review.attention import Need, needs_of, rank
from review.board_row import TruckLive


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetLive:
    """The fleet as the board has it at ``at_ms`` [Unix ms].

    ``known`` names all trucks; ``trucks`` holds those that were read since the daemon started. ``others`` are
    alarms of no single truck: nothing comes from anybody, or Heatbook itself needs somebody.
    """

    epoch: str
    at_ms: int
    version: int = 0
    known: tuple[str, ...] = ()
    trucks: Mapping[str, TruckLive] = field(default_factory=lambda: MappingProxyType({}))
    others: tuple[Alarm, ...] = ()

    @property
    def mark(self) -> str:
        """What this moment is known by; another run of the daemon has others."""
        return f"{self.epoch}-{self.version}"

    @property
    def all_silent(self) -> bool:
        """Whether nothing comes from any truck."""
        return any(alarm.vehicle == EVERYBODY for alarm in self.others)

    @property
    def reading(self) -> bool:
        """Whether trucks are still being read for the first time."""
        return self.version == 0 or len(self.trucks) < len(self.known)

    def needing(self, now_ms: int) -> list[tuple[TruckLive, tuple[Need, ...]]]:
        """List the trucks that need somebody with their reasons, the most urgent first."""
        silent = self.all_silent
        found = [
            (truck, needs_of(truck, now_ms, all_silent=silent))
            for truck in self.trucks.values()
        ]
        asking = [(truck, needs) for truck, needs in found if needs]
        return sorted(asking, key=lambda pair: (rank(pair[1][0]), pair[0].name))

    def changed_since(self, version: int) -> list[str]:
        """Name the trucks that changed since a version of this run."""
        return [name for name, truck in self.trucks.items() if truck.version > version]
