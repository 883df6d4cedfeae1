"""A standing alarm of a truck, for a person at a terminal."""

from __future__ import annotations

from alerts.console_form import lines
from alerts.ledger import Alarm
from alerts.wording import explain
from models.units import Units
from review.kinds import WORDS


def alarm_lines(alarm: Alarm, units: Units) -> list[tuple[str, str]]:
    """Say what each line is about, and what it says."""
    said = explain(alarm.kind, alarm.vehicle, alarm.evidence, words=WORDS, units=units)
    return [(line.about, line.text) for line in lines(alarm, said, units.zone)]
