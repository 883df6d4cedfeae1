"""What nobody can see of the fleet now: silence is not health, so it is listed. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from review.board_row import TruckLive

QUIET_MS = 24 * 3_600_000
"""Age of the newest sample from which a truck is called quiet [ms]; own choice: a night is not."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unseen:
    """Trucks by name.

    ``never`` heard; ``quiet``: no sample for a day; ``blind``: no fluid temperature at the newest sample;
    ``unproven``: its cooler's flow was never seen, a fault might hide there; ``held``: alarms held back.
    """

    never: tuple[str, ...]
    quiet: tuple[str, ...]
    blind: tuple[str, ...]
    unproven: tuple[str, ...]
    held: tuple[str, ...]

    @property
    def any(self) -> bool:
        """Whether there is anything that is not seen."""
        return bool(self.never or self.quiet or self.blind or self.unproven or self.held)


def unseen_of(trucks: Iterable[TruckLive], now_ms: int) -> Unseen:
    """Sort out what is not seen; a truck may be in several lists, one that was never heard in that alone."""
    every = list(trucks)
    heard = [truck for truck in every if truck.last_ms is not None]
    return Unseen(
        never=tuple(truck.name for truck in every if truck.standing == "never heard"),
        quiet=tuple(truck.name for truck in heard if now_ms - (truck.last_ms or 0) > QUIET_MS),
        blind=tuple(
            truck.name
            for truck in heard
            if truck.signals is not None and truck.signals.fluid_c is None
        ),
        unproven=tuple(truck.name for truck in heard if _unproven(truck)),
        held=tuple(truck.name for truck in every if truck.holds),
    )


def _unproven(truck: TruckLive) -> bool:
    found = truck.circuit_standing
    return found is None or found.proven_ms is None
