"""``[reports]``: the digest of each morning and the summary of each week, by the fleet's clock."""

from __future__ import annotations

from datetime import time
from typing import Annotated, Literal

from pydantic import Field, field_validator

from deploy.section import Section

Weekday = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]


class Reports(Section):
    """``[reports]``: who gets them, the people file says; without one, those of ``[alerts.smtp]``."""

    digest: Literal["always", "news", "off"] = "always"
    digest_at: time = time(6, 30)
    week: bool = True
    week_on: Weekday = "mon"
    week_at: time = time(7)
    services_days: Annotated[float, Field(ge=1.0, le=365.0)] = 30.0
    unheard_days: Annotated[float, Field(ge=0.1, le=365.0)] = 2.0

    @field_validator("digest_at", "week_at")
    @classmethod
    def _plain(cls, at: time) -> time:
        if at.tzinfo is not None or at.second or at.microsecond:
            msg = f"{at.isoformat()} is not a plain time of day; write it like 06:30"
            raise ValueError(msg)
        return at
