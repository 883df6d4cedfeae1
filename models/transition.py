"""What the detectors say of a truck, once: a condition came, grew more urgent, or went."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum


class Priority(IntEnum):
    """Alarm priorities, least first (IEC 62682 leaves the count to the site; we use four)."""

    LOW = 1
    MEDIUM = 2
    HIGH = 3
    CRITICAL = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Transition:
    """A change of one condition of one truck, at a time of the truck's own samples.

    ``onset_ms`` names the episode: the time [ms] its first active transition took effect. A
    second active transition in one episode is a rise in priority. ``evidence`` holds the
    numbers behind it, each name carrying its unit; ``probability`` is that of the condition
    being true [0..1].
    """

    vehicle: str
    kind: str
    time_ms: int
    onset_ms: int
    active: bool
    priority: Priority
    probability: float
    evidence: dict[str, float] = field(default_factory=dict)
