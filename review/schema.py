"""The tables of this package, as numbered steps that are only ever added to."""

from __future__ import annotations

from review.access.schema import ACCESS_STEPS

STEPS: tuple[tuple[str, ...], ...] = (*ACCESS_STEPS,)
