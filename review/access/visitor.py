"""Whoever asks: their name, what they may do, and how they read numbers."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

from models.units import Units


class Role(IntEnum):
    """What somebody may do; a greater one may do all that a lesser may."""

    VIEWER = 1
    """Looks at all trucks, alarms and services, and changes nothing but what is their own."""
    TECHNICIAN = 2
    """Also acknowledges, shelves for a shift, enters services, and sees how the system does."""
    MANAGER = 3
    """Also takes out of service, takes entries back, rules over accounts, tokens and the quarantine."""

    @property
    def may_words(self) -> str:
        """What this role may do, for people."""
        return _MAY[self]


_MAY = {
    Role.VIEWER: "Looks at every truck, alarm and service.",
    Role.TECHNICIAN: "Looks at everything, acknowledges and shelves alarms, records services.",
    Role.MANAGER: (
        "Does all that can be done here: also takes out of service, takes entries back, manages accounts "
        "and tokens."
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Visitor:
    """One person, or one program with a token, for the length of one request.

    ``name`` signs what is entered. ``csrf`` goes along with every form and is empty for a token, which no
    other site can send for its owner.
    """

    name: str
    role: Role
    units: Units
    csrf: str = ""

    def may(self, least: Role) -> bool:
        """Say whether this much is allowed."""
        return self.role >= least
