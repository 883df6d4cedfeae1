"""A certificate that the connection to the broker rests on ends soon. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from alerts.own.facts import Facts, Found, Limits
from alerts.own.named import by_name, listed, numbered
from alerts.own.wording import own
from models.transition import Priority
from models.units import Units
from models.words import Words

KIND = "certificate_expiring"
LEFT = "days_left"

_DAY_MS = 86_400_000


def find(facts: Facts, limits: Limits, *, standing: bool) -> Found | None:
    """Find the certificates that end soon or have ended."""
    del standing
    left_ms = {name: at_ms - facts.now_ms for name, at_ms in facts.expiries.items()}
    soon = {name: left for name, left in left_ms.items() if left <= limits.certificate_ms}
    if not soon:
        return None
    urgent = min(soon.values()) <= limits.certificate_urgent_ms
    return Found(
        priority=Priority.HIGH if urgent else Priority.MEDIUM,
        evidence=numbered(LEFT, {name: left / _DAY_MS for name, left in soon.items()}),
    )


def words(evidence: Mapping[str, float], units: Units) -> Words:
    """Name the certificates and how long they are good."""
    del units
    left = by_name(LEFT, evidence)
    seen = [
        f"{name} in {days:.0f} days" if days > 0 else f"{name} has ended"
        for name, days in left.items()
    ]
    return own(
        title="A certificate ends soon"
        if min(left.values()) > 0
        else "A certificate has ended",
        observed=f"It ends: {'; '.join(seen)}.",
        expected="A new one in time.",
        doubts="None: the day stands in the certificate.",
        action=(
            f"Renew it ({listed(left)}) and restart Heatbook or the broker. When it has ended there is no "
            "connection, and no truck is guarded."
        ),
        at_once="Renew the certificate",
    )
