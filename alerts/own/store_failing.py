"""The store could not be written for long; told as soon as anything can be written. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from alerts.own.facts import Facts, Found, Limits
from alerts.own.named import span
from alerts.own.wording import own
from models.transition import Priority
from models.units import Units
from models.words import Words

KIND = "store_failing"
FAILED_MINUTES = "failed_minutes"


def find(facts: Facts, limits: Limits, *, standing: bool) -> Found | None:
    """Find that it could not be written for longer than is usual."""
    del standing
    if facts.store_failed_ms < limits.store_ms:
        return None
    return Found(
        priority=Priority.CRITICAL, evidence={FAILED_MINUTES: facts.store_failed_ms / 60_000}
    )


def words(evidence: Mapping[str, float], units: Units) -> Words:
    """Say for how long."""
    del units
    return own(
        title="The store could not be written",
        observed=f"Nothing could be written for {span(evidence[FAILED_MINUTES])}.",
        expected="Each commit is on the disk within moments.",
        doubts="The disk was full or failed, or another program held the store (a backup, a copy).",
        action=(
            "See the log for store.failed and its reason, and 'heatbook check'. Nothing is lost: what was "
            "not written was not acknowledged and waits at the broker. No truck was guarded meanwhile."
        ),
        at_once="Look at the disk and the log",
    )
