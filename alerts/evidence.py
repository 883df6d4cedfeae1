"""Evidence as text: one spelling for one set of numbers, so that rows can be compared."""

from __future__ import annotations

import json
from collections.abc import Mapping
from math import isfinite, nan


def encode(evidence: Mapping[str, float]) -> str:
    """Write the numbers, names sorted, shortest exact digits; not a number becomes null."""
    numbers = {name: _number(value) for name, value in evidence.items()}
    return json.dumps(numbers, sort_keys=True, separators=(",", ":"), allow_nan=False)


def decode(text: str) -> dict[str, float]:
    """Read the numbers back; null becomes NaN."""
    return {name: nan if value is None else value for name, value in json.loads(text).items()}


def _number(value: float) -> float | None:
    plain = float(value)
    return plain if isfinite(plain) else None
