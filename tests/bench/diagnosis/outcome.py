"""What came of one truck: its truth and what each judge said."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from simulator.sensors import Position
from tests.bench.diagnosis.duties import Drive

RIVAL_LEAST = 0.02
"""From this probability [-] a hypothesis is among those that an alarm names beside its own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarm:
    """An episode that began; ``second`` after the first midnight.

    ``p_slip``: the probability of slip in its evidence, where it has one.
    """

    kind: str
    second: float
    probability: float = 1.0
    p_slip: float = 0.0

    @property
    def names_slip(self) -> bool:
        """Say whether slip of the lockup clutch is what the alarm says, or among what it may be."""
        return self.kind == "lockup_slip" or self.p_slip >= RIVAL_LEAST


@dataclass(frozen=True, slots=True, kw_only=True)
class Stated:
    """How likely a fault of the circuit was held at a time, by the samples up to then."""

    second: float
    probability: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One truck. ``label`` empty: healthy. Seconds after the first midnight.

    ``since_s``: the fault begins; ``shows_s``, ``plain_s``: it shows in the
    physics, and is plain there (None: never).
    ``slip_told``, ``whole``: the slip signal, all the basic signals are there throughout.
    ``position``: where the fluid's sensor sits.
    ``cannot``: alarm kinds that accuse a part that the truck does not have.
    ``hot_s``: seconds in which the sump was hotter than fluid bears.
    """

    number: int = 0
    label: str
    drives: tuple[Drive, ...]
    days: int
    gradual: bool = False
    slip_told: bool = False
    whole: bool = True
    position: Position = "sump"
    cannot: frozenset[str] = frozenset()
    since_s: float | None = None
    shows_s: float | None = None
    plain_s: float | None = None
    hot_s: tuple[int, ...] = ()
    alarms: Mapping[str, tuple[Alarm, ...]] = field(default_factory=dict)
    stated: tuple[Stated, ...] = ()

    def running_s(self, since_s: float, until_s: float) -> float:
        """Give the time that the engine ran between two moments [s]."""
        return sum(
            max(0.0, min(until_s, drive.end_s) - max(since_s, drive.start_s))
            for drive in self.drives
        )

    def nth_drive(self, since_s: float, at_s: float, *, loaded: bool) -> int:
        """Count the drives that saw the time between two moments; the first is 1."""
        return sum(
            drive.end_s > since_s and drive.start_s <= at_s
            for drive in self.drives
            if drive.loaded or not loaded
        )

    def hot_between_s(self, since_s: float, until_s: float) -> int:
        """Give the time of too hot fluid between two moments [s]."""
        low, high = np.searchsorted(self.hot_s, (since_s, until_s))
        return int(high - low)

    def faulty_at(self, second: float) -> bool | None:
        """Say whether a fault has shown; None where it has begun and not shown yet."""
        if self.since_s is None or second < self.since_s:
            return False
        return True if self.shows_s is not None and second >= self.shows_s else None
