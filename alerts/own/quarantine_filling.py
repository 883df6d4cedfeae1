"""Much of what comes is refused. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from alerts.own.facts import Facts, Found, Limits
from alerts.own.wording import own
from models.transition import Priority
from models.units import Units
from models.words import Words

KIND = "quarantine_filling"
REFUSED = "refused_samples"
OFFERED = "offered_samples"

_AGAIN = 0.5
"""Share of the limit below which it is over: else it comes and goes [-]; own choice."""


def find(facts: Facts, limits: Limits, *, standing: bool) -> Found | None:
    """Find that more is refused than a bad sample here and there."""
    share = limits.refused_share * (_AGAIN if standing else 1.0)
    few = not standing and facts.refused < limits.refused_least
    if few or not facts.offered or facts.refused / facts.offered < share:
        return None
    return Found(
        priority=Priority.MEDIUM,
        evidence={REFUSED: float(facts.refused), OFFERED: float(facts.offered)},
    )


def words(evidence: Mapping[str, float], units: Units) -> Words:
    """Say how much of how much."""
    del units
    refused, offered = evidence[REFUSED], evidence[OFFERED]
    return own(
        title="Many samples are refused",
        observed=f"Of {offered:,.0f} samples of the last hour {refused:,.0f} were refused.",
        expected="Hardly any.",
        doubts="One gateway with a fault, a new version of many, or this machine's clock.",
        action=(
            "See 'heatbook quarantine list': each has its reason and how to mend it, and good ones can be "
            "put in again. What was refused guards no truck, and the oldest are dropped for want of room."
        ),
        at_once="See what is refused and why",
    )
