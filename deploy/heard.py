"""What was last heard of each truck: kept from look to look, worked out anew where something came."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from alerts.watch import LastHeard
from ingest.held import NEVER_MS, Held

Mark = tuple[int, int, bool | None]
"""What changes whenever anything here does: newest sample, when heard, connected or not."""


class Heard:
    """Remembers; a fleet of a hundred thousand is looked at every few seconds."""

    def __init__(self) -> None:
        self._marks: dict[str, Mark] = {}
        self._known: dict[str, LastHeard] = {}

    def now(self, trucks: Mapping[str, Held], now_ms: int) -> Mapping[str, LastHeard]:
        """Give what was last heard of every truck that was ever heard."""
        marks, known = self._marks, self._known
        for name, truck in trucks.items():
            if truck.last_ms == NEVER_MS:
                continue
            mark = (truck.last_ms, truck.heard_ms, truck.online)
            if marks.get(name) != mark:
                marks[name] = mark
                known[name] = last_heard(truck, now_ms)
            elif known[name].heard_ms != (heard_ms := _heard_ms(truck, now_ms)):
                known[name] = replace(known[name], heard_ms=heard_ms)
        return known

    def forget(self, name: str) -> None:
        """Know nothing of a truck that was erased."""
        self._marks.pop(name, None)
        self._known.pop(name, None)


def last_heard(truck: Held, now_ms: int) -> LastHeard:
    """Give what was last heard of one truck."""
    # By index: as an attribute it takes a hundred times as long.
    moving = bool(truck.state["truck"]["latest"]["moving"][0])
    return LastHeard(
        time_ms=truck.last_ms,
        heard_ms=_heard_ms(truck, now_ms),
        moving=moving,
        lost_moving=moving and truck.online is False,
        online=truck.online,
    )


def _heard_ms(truck: Held, now_ms: int) -> int:
    """Give when a truck was heard: by a clock that was set back since, its own time is the better."""
    return truck.heard_ms if truck.heard_ms <= now_ms else min(truck.last_ms, now_ms)
