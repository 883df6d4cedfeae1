"""History does not get to where it is kept. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from alerts.own.facts import Facts, Found, Limits
from alerts.own.named import by_name, listed, numbered, span
from alerts.own.wording import own
from models.transition import Priority
from models.units import Units
from models.words import Words

KIND = "archive_failing"
FAILS = "failing_minutes"


def find(facts: Facts, limits: Limits, *, standing: bool) -> Found | None:
    """Find the archives that have failed for long."""
    least_ms = 0 if standing else limits.archive_ms
    minutes = {
        name: (facts.now_ms - each.since_ms) / 60_000
        for name, each in facts.archives.items()
        if each.for_good or facts.now_ms - each.since_ms >= least_ms
    }
    return (
        Found(priority=Priority.MEDIUM, evidence=numbered(FAILS, minutes)) if minutes else None
    )


def words(evidence: Mapping[str, float], units: Units) -> Words:
    """Name what fails, and for how long."""
    del units
    minutes = by_name(FAILS, evidence)
    seen = "; ".join(f"{listed([name])} for {span(value)}" for name, value in minutes.items())
    return own(
        title=f"History does not get into the archive ({listed(minutes)})",
        observed=f"Failing: {seen}.",
        expected="Each night what is old moves; what is fed is seconds behind.",
        doubts="The folder or server may be away, full, or closed to us.",
        action=(
            "See the log for archive.failed, the page System, 'heatbook history move', or of InfluxDB "
            "'heatbook influx state'. Nothing is lost: "
            "samples stay in the store until they are safe there, and the store grows meanwhile."
        ),
        at_once="Look at the archive",
    )
