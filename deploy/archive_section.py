"""``[archive]``: months that are over go from the store to files of their own, or to InfluxDB."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import time
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, field_validator

from deploy.section import Section

_DAY_MS = 86_400_000


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryRules:
    """How long samples stay in the store, how long they are kept at all, what counts as seen.

    All in milliseconds; ``keep_ms`` None keeps them for ever, ``max_gap_ms`` is the longest gap that counts.
    """

    hot_ms: int
    keep_ms: int | None
    max_gap_ms: int


class ArchiveSection(Section):
    """``[archive]``: where old months are kept, from when on, and for how long."""

    move: bool = True
    kind: Literal["parquet", "influx"] = "parquet"
    folder: Path = Path("archive")
    hot_days: Annotated[float, Field(ge=1.0, le=3650.0)] = 35.0
    move_at: time = time(2, 30)
    keep_years: Annotated[float, Field(ge=1.0, le=100.0)] | None = None

    @field_validator("move_at")
    @classmethod
    def _plain(cls, at: time) -> time:
        if at.tzinfo is not None or at.second or at.microsecond:
            msg = f"{at.isoformat()} is not a plain time of day; write it like 02:30"
            raise ValueError(msg)
        return at

    def rules(self, max_gap_s: float) -> HistoryRules:
        """Give what the move goes by."""
        years = self.keep_years
        return HistoryRules(
            hot_ms=round(self.hot_days * _DAY_MS),
            keep_ms=None if years is None else round(years * 365.25 * _DAY_MS),
            max_gap_ms=round(max_gap_s * 1000.0),
        )
