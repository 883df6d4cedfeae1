"""What a general silence says to a person: what it rests on, where to look first."""

from __future__ import annotations

import math
from collections.abc import Mapping

from models.cautions import HANDS_ON_WHEEL, OWN_GAUGE
from models.units import Units
from models.words import Words

QUIET_MINUTES = "quiet_minutes"
TRUCKS = "trucks"
MOVING = "trucks_moving"
LOST = "trucks_line_lost"
DOWN_MINUTES = "broker_down_minutes"
REFUSED = "broker_refused"
"""Names of the numbers in the evidence of a general silence: since when nothing came, how many trucks there
are, how many of them moved, of how many of these the broker says that their line broke; since when our own
connection to the broker is down (NaN: it stands), and whether the broker refuses us (1) or is away (0)."""

MOSTLY = 0.5
"""Share of the moving trucks whose line broke from which on that is called the cause [-]; own choice."""

_ROUND = (
    "No truck is guarded against overheating until data come again. Tell the drivers, where they can answer "
    "without handling a phone at the wheel; the trucks' manuals and gauges count meanwhile."
)


def everybody_words(evidence: Mapping[str, float], units: Units) -> Words:
    """Give the words of a general silence, by what is known of its cause."""
    del units
    if not math.isnan(evidence.get(DOWN_MINUTES, math.nan)):
        return _refused(evidence) if evidence.get(REFUSED, 0.0) > 0.0 else _down(evidence)
    moving = evidence.get(MOVING, 0.0)
    lost = evidence.get(LOST, 0.0)
    return _lines(evidence) if moving and lost >= MOSTLY * moving else _connected(evidence)


def _down(evidence: Mapping[str, float]) -> Words:
    return _words(
        title="No connection to the message broker",
        observed=(
            f"This machine has had no connection to the broker for {evidence[DOWN_MINUTES]:.0f} min. "
            f"{_quiet(evidence)}"
        ),
        doubts=(
            "The broker is down, or the network between it and this machine. Whether the trucks still "
            "reach the broker cannot be seen from here; what it keeps for us comes later."
        ),
        action=(
            "See whether the broker's machine and its broker run, then the network between (heatbook "
            "check). Nothing is watched until data come again."
        ),
        at_once="Look at the broker and the network to it",
    )


def _refused(evidence: Mapping[str, float]) -> Words:
    return _words(
        title="The message broker refuses this machine",
        observed=(
            f"The broker answers but has let nobody in from here for {evidence[DOWN_MINUTES]:.0f} min. "
            f"{_quiet(evidence)}"
        ),
        doubts=(
            "Name, password, certificate or rights of this machine were changed or have run out; the "
            "broker itself runs."
        ),
        action=(
            "Let whoever looks after the broker mend the login (heatbook check says what it answers). "
            "Nothing is watched until then."
        ),
        at_once="Mend the login at the broker",
    )


def _lines(evidence: Mapping[str, float]) -> Words:
    return _words(
        title="The lines of the trucks broke off together",
        observed=(
            f"The broker is connected and says that the lines of {evidence[LOST]:.0f} of "
            f"{evidence[MOVING]:.0f} moving trucks broke off. {_quiet(evidence)}"
        ),
        doubts=(
            "The mobile network, or the way from it to the broker. That so many gateways failed at once "
            "is unlikely."
        ),
        action=(
            "See whether the broker can be reached from outside, and ask the network's operator. Nothing "
            "is watched until data come again."
        ),
        at_once="Look at the way from the mobile network to the broker",
    )


def _connected(evidence: Mapping[str, float]) -> Words:
    return _words(
        title="No data from any truck",
        observed=f"This machine is connected to the broker. {_quiet(evidence)}",
        doubts=(
            "The way from the trucks to the broker, or the broker no longer hands on what it gets (its "
            "rights, its disk). That all gateways failed at once is unlikely."
        ),
        action=(
            "See whether messages reach the broker and whether this machine may read them (heatbook "
            "check tries both). Nothing is watched until data come again."
        ),
        at_once="Look whether messages reach the broker",
    )


def _words(*, title: str, observed: str, doubts: str, action: str, at_once: str) -> Words:
    return Words(
        title=title,
        observed=observed,
        expected="Samples as long as any truck moves.",
        doubts=doubts,
        action=action,
        driver=(HANDS_ON_WHEEL, OWN_GAUGE),
        technician=(_ROUND,),
        at_once=at_once,
    )


def _quiet(evidence: Mapping[str, float]) -> str:
    trucks, moving = evidence.get(TRUCKS, 0.0), evidence.get(MOVING, math.nan)
    driving = "some were moving" if math.isnan(moving) else f"{moving:.0f} were moving"
    return (
        f"Nothing from any of {trucks:.0f} trucks for {evidence.get(QUIET_MINUTES, 0.0):.0f} min"
        f"{f'; {driving}' if driving[0] != '0' else '; none was moving'}."
    )
