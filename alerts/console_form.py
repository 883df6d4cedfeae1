"""An alarm for a console: labelled lines, in the order in which they are wanted."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import tzinfo

from alerts.ledger import Alarm
from alerts.own.facts import OURSELVES
from alerts.phrases import MANUAL_FIRST, moment, sureness
from models.words import Words

DRIVER, SHOP, TRUST = CAUTIONS = ("Driver", "Shop", "Trust")
"""What lines with dangers are about: whoever drives, whoever works on it, how far to trust any of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line: what it is about, and what it says."""

    about: str
    text: str


def lines(alarm: Alarm, said: Words, zone: tzinfo) -> tuple[Line, ...]:
    """Lay out a standing alarm; what is not known has no line."""
    told = (
        ("Alarm", f"{said.title} ({alarm.priority.name.lower()})"),
        ("Do now", said.action),
        *((DRIVER, caution) for caution in said.driver),
        ("Seen", " ".join(part for part in (said.observed, said.share) if part)),
        ("As it should be" if alarm.vehicle == OURSELVES else "If healthy", said.expected),
        (
            "Since",
            " ".join(part for part in (f"{moment(alarm.onset_ms, zone)}.", said.since) if part),
        ),
        ("How sure", said.sure or sureness(alarm.kind, alarm.probability)),
        *((SHOP, caution) for caution in said.technician),
        (TRUST, MANUAL_FIRST),
        ("Causes left", said.rivals),
        ("Or else", said.doubts),
        ("What tells", said.tells_apart),
        ("Last worked", said.proven),
    )
    return tuple(Line(about=about, text=text) for about, text in told if text)
