"""A way by which people are told does not work: the other ways tell it. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from alerts.own.facts import Facts, Found, Limits
from alerts.own.named import by_name, listed, numbered, span
from alerts.own.wording import own
from models.transition import Priority
from models.units import Units
from models.words import Words

KIND = "channel_failing"
FAILS = "failing_minutes"
FOR_GOOD = "wants_no_more"


def find(facts: Facts, limits: Limits, *, standing: bool) -> Found | None:
    """Find the channels that have failed for long, or want no more."""
    least_ms = 0 if standing else limits.channel_ms
    found = {
        name: each
        for name, each in facts.channels.items()
        if each.for_good or facts.now_ms - each.since_ms >= least_ms
    }
    if not found:
        return None
    minutes = {name: (facts.now_ms - each.since_ms) / 60_000 for name, each in found.items()}
    done = {name: 1.0 for name, each in found.items() if each.for_good}
    return Found(
        priority=Priority.HIGH,
        evidence={**numbered(FAILS, minutes), **numbered(FOR_GOOD, done)},
    )


def words(evidence: Mapping[str, float], units: Units) -> Words:
    """Name the channels and for how long."""
    del units
    minutes, done = by_name(FAILS, evidence), by_name(FOR_GOOD, evidence)
    seen = [f"{listed([name])} for {span(value)}" for name, value in minutes.items()]
    if done:
        seen.append(f"{listed(done)} answered that it wants nothing more")
    return own(
        title=f"Notices by {listed(minutes)} do not go out",
        observed=f"Failing: {'; '.join(seen)}.",
        expected="Each notice is taken within seconds.",
        doubts="The far side may be down, or the network to it, or a password was changed.",
        action=(
            "See 'heatbook notices waiting' for the reason and mend it; 'heatbook check --notice' tries it. "
            "What waits is sent when it works again. One that wants nothing more is tried again after a "
            "restart."
        ),
        at_once="Mend that way of sending notices",
    )
