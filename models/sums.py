"""Sums that lose nothing over years of small terms."""

from __future__ import annotations

from models.compiled import compiled


@compiled
def add(total: float, rest: float, more: float) -> tuple[float, float]:
    """Add with the lost digits kept; the sum is ``total + rest`` (Neumaier's compensated sum)."""
    new = total + more
    if abs(total) >= abs(more):
        rest += (total - new) + more
    else:
        rest += (more - new) + total
    return new, rest
