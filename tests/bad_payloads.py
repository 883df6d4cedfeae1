"""More than a thousand bad messages, each with the reason and the field it must be refused for.

The same list for every run: nothing is drawn but from a seeded generator.
"""

from __future__ import annotations

from tests.bad_maker import BadPayload, Maker
from tests.bad_texts import BAD_TEXTS
from tests.bad_values import BAD_VALUES

__all__ = ["BadPayload", "bad_payloads"]


def bad_payloads(now_ms: int, vehicle: str = "NF-01") -> list[BadPayload]:
    """Give all of them, as received at ``now_ms`` [Unix ms]; no two are alike."""
    maker = Maker(now_ms, vehicle)
    return [case for make in (*BAD_VALUES, *BAD_TEXTS) for case in make(maker)]
