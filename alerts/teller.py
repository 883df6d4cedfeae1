"""How one reader is told: names of trucks, times, and the words of a condition."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from alerts.ledger import Alarm
from alerts.own.facts import OURSELVES
from alerts.phrases import moment, plain
from alerts.watch import EVERYBODY
from alerts.wording import explain
from models.units import Units
from models.words import Words, WriteWords


@dataclass(frozen=True, slots=True, kw_only=True)
class Teller:
    """By which words a reader is told, in which units, with which names of trucks."""

    words: Mapping[str, WriteWords]
    units: Units
    names: Mapping[str, str]

    def who(self, vehicle: str) -> str:
        """Name a truck: its code, and what people call it."""
        if vehicle == EVERYBODY:
            return "All trucks"
        if vehicle == OURSELVES:
            return "Heatbook itself"
        code, name = plain(vehicle), plain(self.names.get(vehicle, ""))
        return code if name in ("", code) else f"{code} ({name})"

    def moment(self, time_ms: int) -> str:
        """Write a time for this reader."""
        return moment(time_ms, self.units.zone)

    def brief(self, time_ms: int) -> str:
        """Write a time of the last days for this reader, as people say it."""
        at = datetime.fromtimestamp(time_ms / 1000, self.units.zone)
        return f"{self.units.day(time_ms, year=False)} {at:%H:%M}"

    def say(self, alarm: Alarm) -> Words:
        """Give the words of an alarm."""
        return explain(
            alarm.kind, alarm.vehicle, alarm.evidence, words=self.words, units=self.units
        )
