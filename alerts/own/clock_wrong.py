"""The clock of the machine jumped, or reads earlier than what was written last. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from alerts.own.facts import Facts, Found, Limits
from alerts.own.named import span
from alerts.own.wording import own
from models.transition import Priority
from models.units import Units
from models.words import Words

KIND = "clock_wrong"
STEPPED_S = "stepped_s"
BEHIND_S = "behind_s"


def find(facts: Facts, limits: Limits, *, standing: bool) -> Found | None:
    """Find a step of the clock, or a clock that lies behind what was committed."""
    del standing
    if max(abs(facts.stepped_ms), facts.behind_ms) <= limits.clock_jump_ms:
        return None
    return Found(
        priority=Priority.HIGH,
        evidence={STEPPED_S: facts.stepped_ms / 1000, BEHIND_S: facts.behind_ms / 1000},
    )


def words(evidence: Mapping[str, float], units: Units) -> Words:
    """Say by how much, and which way."""
    del units
    stepped, behind = evidence[STEPPED_S] / 60, evidence[BEHIND_S] / 60
    said = []
    if stepped:
        way = "forward" if stepped > 0 else "back"
        said.append(f"It went {way} by {span(abs(stepped))} between two looks.")
    if behind:
        said.append(f"It reads {span(behind)} earlier than when samples were written last.")
    return own(
        title="The clock of this machine jumped",
        observed=" ".join(said),
        expected="A clock that goes on evenly.",
        doubts=(
            "Either it is wrong now, or it was wrong before and has been set right. A machine that slept "
            "shows the same."
        ),
        action=(
            "Compare the clock with a good one and see that time synchronisation runs (timedatectl). "
            "Heatbook follows a jump only when the trucks' times agree or none contradicts. Samples that lie "
            "ahead of its clock wait at the broker or are refused; those can be put in again from the "
            "quarantine."
        ),
        at_once="Check the clock of the machine",
    )
