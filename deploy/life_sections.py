"""Settings of the life of an alarm: what comes and goes too often, how long one may be shelved."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from alerts.life_rules import ChatterRules, HoldRules
from deploy.section import Section

Minutes = Annotated[float, Field(ge=1.0, le=24 * 60.0)]


class ChatterSection(Section):
    """``[alerts.chatter]``: when an alarm comes and goes too often to be told each time, and for how long."""

    times: Annotated[int, Field(ge=2, le=1000)] = 3
    within_minutes: Minutes = 60.0
    quiet_minutes: Minutes = 30.0
    stood_minutes: Minutes = 10.0

    def rules(self) -> ChatterRules:
        """Give what the alarms go by."""
        return ChatterRules(
            times=self.times,
            within_ms=round(self.within_minutes * 60_000),
            quiet_ms=round(self.quiet_minutes * 60_000),
            stood_ms=round(self.stood_minutes * 60_000),
        )


class ShelfSection(Section):
    """``[alerts.shelf]``: how long an alarm may be shelved at most."""

    longest_days: Annotated[float, Field(gt=0.0, le=365.0)] = 7.0
    longest_critical_hours: Annotated[float, Field(gt=0.0, le=24 * 365.0)] = 24.0

    def rules(self) -> HoldRules:
        """Give what the alarms go by."""
        return HoldRules(
            longest_ms=round(self.longest_days * 86_400_000),
            longest_critical_ms=round(self.longest_critical_hours * 3_600_000),
        )
