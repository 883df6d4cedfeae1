"""What says how the daemon itself does: its log, its health and figures, its alarms of its own."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from alerts.own.facts import Limits
from deploy.section import Section

_DAY_MS = 86_400_000
_MB = 1_000_000


class Log(Section):
    """``[log]``: how the daemon writes its log, and how much of it."""

    form: Literal["auto", "lines", "json"] = "auto"
    level: Literal["debug", "info", "warning", "error"] = "info"


class Health(Section):
    """``[health]``: where it says how it does, to machines; this table alone turns it on."""

    bind: str = "127.0.0.1"
    port: Annotated[int, Field(ge=1, le=65_535)] = 9480


class Watch(Section):
    """``[watch]``: when Heatbook raises an alarm about itself."""

    disk_short_mb: Annotated[float, Field(gt=0.0, le=1e9)] = 1_000.0
    disk_urgent_mb: Annotated[float, Field(gt=0.0, le=1e9)] = 250.0
    clock_jump_s: Annotated[float, Field(ge=5.0, le=86_400.0)] = 60.0
    channel_minutes: Annotated[float, Field(gt=0.0, le=10_080.0)] = 15.0
    store_minutes: Annotated[float, Field(gt=0.0, le=10_080.0)] = 2.0
    refused_percent: Annotated[float, Field(gt=0.0, le=100.0)] = 20.0
    certificate_days: Annotated[float, Field(gt=0.0, le=3650.0)] = 30.0
    certificate_urgent_days: Annotated[float, Field(gt=0.0, le=3650.0)] = 7.0

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.disk_urgent_mb > self.disk_short_mb:
            msg = "disk_urgent_mb is above disk_short_mb; lower it, or raise disk_short_mb"
            raise ValueError(msg)
        if self.certificate_urgent_days > self.certificate_days:
            msg = (
                "certificate_urgent_days is above certificate_days; lower it, or raise "
                "certificate_days"
            )
            raise ValueError(msg)
        return self

    def limits(self, backup_ms: int | None) -> Limits:
        """Give what the conditions go by; ``backup_ms``: how old the newest backup may be."""
        return Limits(
            disk_short_bytes=round(self.disk_short_mb * _MB),
            disk_urgent_bytes=round(self.disk_urgent_mb * _MB),
            clock_jump_ms=round(self.clock_jump_s * 1000),
            channel_ms=round(self.channel_minutes * 60_000),
            store_ms=round(self.store_minutes * 60_000),
            refused_share=self.refused_percent / 100.0,
            certificate_ms=round(self.certificate_days * _DAY_MS),
            certificate_urgent_ms=round(self.certificate_urgent_days * _DAY_MS),
            backup_ms=backup_ms,
        )
