"""One value of a figure, on its way from where it is known to where it is written."""

from __future__ import annotations

from dataclasses import dataclass

from deploy.metrics.families import PREFIX
from deploy.tallies import Spread


@dataclass(frozen=True, slots=True, kw_only=True)
class Value:
    """A number, or a spread, of the figure ``name``; ``labels`` in its family's order."""

    name: str
    value: float | Spread
    labels: tuple[str, ...] = ()


def value(name: str, number: float | Spread, *labels: str) -> Value:
    """Give a value by the name without our prefix."""
    return Value(name=f"{PREFIX}{name}", value=number, labels=labels)
