"""What a silent gateway says to a person: its line broke, it sends no samples, or neither is known. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from models.cautions import HANDS_ON_WHEEL, OWN_GAUGE, SHOP_ONLY, WIRING
from models.units import Units
from models.words import Words

LINE_LOST = "line_lost"
ONLINE = "gateway_online"
AFTER_OUTAGE = "after_outage"
"""Numbers that the watch on the clock adds to the evidence, 1 for yes: the broker published the gateway's
last will; the broker says it is connected; it fell silent with all others and was not heard since."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """What is said of one way to fall silent."""

    title: str
    brief: str
    seen: str
    doubts: str
    look: str


_QUIET = Cause(
    title="Gateway silent: the truck was moving and its data stopped",
    brief="Gateway silent while driving",
    seen="",
    doubts="No radio coverage, a loose supply, or a dead gateway.",
    look="check the gateway's supply and aerial at the next stop",
)
_LOST = Cause(
    title="Line lost: the truck was moving and its gateway's connection broke off",
    brief="Line lost while driving",
    seen=" The broker says that the gateway's line broke off.",
    doubts=(
        "A radio hole, a loose supply or aerial, or a dead gateway; a truck switched off the moment it "
        "stopped looks the same."
    ),
    look="check the gateway's supply and aerial at the next stop",
)
_CONNECTED = Cause(
    title="Gateway connected, but its samples stopped while driving",
    brief="Gateway connected but sends no samples",
    seen=" The broker says that the gateway is still connected.",
    doubts=(
        "Radio and supply are good, then: the gateway's wire to the truck's data came loose, or its program "
        "hangs."
    ),
    look="check the gateway's plug to the truck's data and start it anew at the next stop",
)
_NOT_BACK = Cause(
    title="Not heard since the data of all trucks broke off",
    brief="Not heard since all data broke off",
    seen=" It fell silent with all others; they came back.",
    doubts="It may have been parked and switched off meanwhile, or its gateway did not come back.",
    look="check the gateway's supply and aerial",
)
_GAP = (
    "If the gateway stores its samples, the gap closes when they arrive; until then heat and distance are "
    "unseen, not zero."
)


def words(evidence: Mapping[str, float], units: Units) -> Words:
    """Say it to a person; what the watch saw of the line tells where to look."""
    del units
    cause = _cause(evidence)
    return Words(
        title=cause.title,
        observed=(
            f"No sample for {_span(evidence['quiet_minutes'])} after one taken while driving.{cause.seen}"
        ),
        expected="Samples as long as the truck moves; a parked truck may be quiet.",
        doubts=f"{cause.doubts} {_GAP}",
        action=f"Ask the driver how the truck is, once it stands; if it stays silent, {cause.look}.",
        driver=(HANDS_ON_WHEEL, OWN_GAUGE),
        technician=(WIRING, SHOP_ONLY),
        brief=cause.brief,
        at_once="Ask the driver how the truck is, once it stands",
    )


def _cause(evidence: Mapping[str, float]) -> Cause:
    if evidence.get(AFTER_OUTAGE, 0.0) > 0.0:
        return _NOT_BACK
    if evidence.get(LINE_LOST, 0.0) > 0.0:
        return _LOST
    return _CONNECTED if evidence.get(ONLINE, 0.0) > 0.0 else _QUIET


def _span(minutes: float) -> str:
    return f"{minutes:.0f} min" if minutes < 120.0 else f"{minutes / 60.0:.0f} h"
