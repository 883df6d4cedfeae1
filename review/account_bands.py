"""Time at temperature summed up in a few bands, as people read it. Pure."""

from __future__ import annotations

from itertools import pairwise

from models.histogram import time_above_h
from models.units import Units

BAND_EDGES_C = tuple((fahrenheit - 32.0) / 1.8 for fahrenheit in (150, 175, 200, 225, 250))
"""Edges [°C] of the bands that time at temperature is summed up in: 150 °F, and rows of the trade's chart.
Own choice; nothing rests on them."""


def hours_by_band(bins: tuple[float, ...]) -> tuple[float, ...]:
    """Give the time [h] below each of ``BAND_EDGES_C`` in turn, then above the last.

    ``bins``: seconds in each bin of ``models.histogram`` [s].
    """
    above = [time_above_h(bins, edge_c) for edge_c in BAND_EDGES_C]
    total_h = sum(bins) / 3600.0
    return tuple(
        max(0.0, more - less)
        for more, less in zip((total_h, *above), (*above, 0.0), strict=True)
    )


def band_names(units: Units) -> tuple[str, ...]:
    """Name the bands in the reader's unit."""
    edges = [units.degrees(edge_c) for edge_c in BAND_EDGES_C]
    between = [f"{low.split()[0]}–{high}" for low, high in pairwise(edges)]
    return (f"below {edges[0]}", *between, f"above {edges[-1]}")
