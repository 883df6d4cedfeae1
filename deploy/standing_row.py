"""How a truck stands, as a row of a table on a terminal."""

from __future__ import annotations

from datetime import datetime
from textwrap import fill

from rich.text import Text

from deploy.printing import foreign
from models.units import Units
from review.circuit_standing import SUSPECT_FROM, circuit_brief
from review.reading import Stored
from review.standing import Standing, due_date, due_interval

NAME_COLUMNS = 24
"""Room for what is said below a truck's name in a list [characters]."""


def list_row(truck: Stored, standing: Standing, units: Units) -> tuple[str | Text, ...]:
    """Lay out one truck, two lines a cell; a third where the cooling circuit may be at fault."""
    account, due = standing.account, standing.due
    title = standing.title if standing.registered else "(not in the fleet file)"
    if standing.circuit.fault_probability >= SUSPECT_FROM:
        doubt = circuit_brief(standing.circuit, standing.last_ms, units)
        title += f"\n{fill(doubt, NAME_COLUMNS)}"
    newest = datetime.fromtimestamp(standing.last_ms / 1000, units.zone)
    missing = f"{standing.missing_samples:,}" if standing.seq is not None else "no\ncounter"
    return (
        foreign(f"{truck.name}\n{title}"),
        f"{newest:%m-%d}\n{newest:%H:%M}",
        f"{account.life_used:.0%}\n{account.life_low:.0%}–{account.life_high:.0%}",
        f"{due_date(due, units)}, {due.reason}\n{due_interval(due, units)}",
        f"{units.length(account.unseen_km)}\n{account.unseen_hours:,.0f} h",
        missing,
    )
