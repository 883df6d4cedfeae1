"""The newest backup is older than it should be. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from alerts.own.facts import Facts, Found, Limits
from alerts.own.wording import own
from models.transition import Priority
from models.units import Units
from models.words import Words

KIND = "backup_overdue"
AGE_DAYS = "age_days"

_DAY_MS = 86_400_000


def find(facts: Facts, limits: Limits, *, standing: bool) -> Found | None:
    """Find that there is no backup young enough; where nobody asks for any, nothing is found."""
    del standing
    if limits.backup_ms is None:
        return None
    # Where none was made yet, the first may take as long as each that follows.
    since_ms = facts.kept_since_ms if facts.backup_ms is None else facts.backup_ms
    age_ms = facts.now_ms - (since_ms or 0)
    if age_ms <= limits.backup_ms:
        return None
    days = age_ms / _DAY_MS if facts.backup_ms else -1.0
    return Found(priority=Priority.MEDIUM, evidence={AGE_DAYS: days})


def words(evidence: Mapping[str, float], units: Units) -> Words:
    """Say how old it is."""
    del units
    days = evidence[AGE_DAYS]
    return own(
        title="The backup is old" if days >= 0 else "There is no backup",
        observed=f"The newest is {days:.0f} days old." if days >= 0 else "None was ever made.",
        expected="One as young as [backup] warn_after_hours asks for.",
        doubts="A backup made by other means than 'heatbook backup' is not seen from here.",
        action="See why it was not made and make one: 'heatbook backup' works while the daemon runs.",
        at_once="Make a backup",
    )
