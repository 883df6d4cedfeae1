"""Numbers as they are printed: equal to half a unit of the last digit."""

from __future__ import annotations

from decimal import Decimal


def half_unit(printed: str) -> float:
    """Give half a unit of the last printed digit; "1.2e-5" counts the digits of its mantissa."""
    exponent = Decimal(printed).as_tuple().exponent
    if not isinstance(exponent, int):
        raise TypeError(f"{printed} is no number")
    return 0.5 * 10.0**exponent


def agrees(value: float, printed: str) -> bool:
    """Say whether a value, rounded as the printed one was, is the printed one."""
    return abs(value - float(printed)) <= half_unit(printed) * (1.0 + 1e-9)
