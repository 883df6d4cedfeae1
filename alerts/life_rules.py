"""What the life of an alarm goes by: which kinds latch, what is too often, how long a hold may last."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from models.transition import Priority

LATCHING: Mapping[str, Priority] = MappingProxyType(
    {
        # A valve that sticks and comes free will stick again; on the road it is free by chance.
        "bypass_stuck": Priority.LOW,
        "coolant_valve_stuck": Priority.LOW,
        # Fluid, seals and clutches that were this hot are not sound because they are cool again.
        "over_temperature": Priority.CRITICAL,
    }
)
"""The kinds that stay until a person has looked, and from which priority on."""

_MINUTE_MS = 60_000
_DAY_MS = 86_400_000


@dataclass(frozen=True, slots=True, kw_only=True)
class ChatterRules:
    """When an alarm of one truck and kind comes too often to be told each time.

    ISA-18.2 and EEMUA 191 call an alarm that comes three times in a minute chattering (from memory).
    Here what is measured is slow and an alarm waits minutes before it is raised, so it is ``times``
    within ``within_ms``. It is held back until it has been away for ``quiet_ms`` or has stood for
    ``stood_ms``. That it went is told only after ``brief_ms`` if it had stood for less.
    """

    times: int = 3
    within_ms: int = 60 * _MINUTE_MS
    quiet_ms: int = 30 * _MINUTE_MS
    stood_ms: int = 10 * _MINUTE_MS
    brief_ms: int = _MINUTE_MS


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldRules:
    """How long an alarm may be shelved at most [ms]; a critical one for less."""

    longest_ms: int = 7 * _DAY_MS
    longest_critical_ms: int = _DAY_MS
