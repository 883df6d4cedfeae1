"""The sections of the settings that belong to the daemon as a whole, and their defaults."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, tzinfo
from pathlib import Path
from typing import Annotated, Literal, Self
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import (
    Field,
    field_validator,
    model_validator,
)

from alerts.pace import PaceRules
from alerts.service_date import DateRules
from deploy.channel_sections import AdviceSection, LogSection, Relay, Smtp, Webhook
from deploy.life_sections import ChatterSection, ShelfSection
from deploy.section import Seconds, Section
from ingest.decoded import WireRules
from models.parameters import FALSE_ALARMS_PER_H
from models.units import Units


class Store(Section):
    """``[store]``: the file everything is kept in, and how commits are grouped."""

    path: Path = Path("heatbook.db")
    synchronous: Literal["full", "normal"] = "full"
    commit_messages: Annotated[int, Field(ge=1, le=100_000)] = 500
    commit_wait_ms: Annotated[int, Field(ge=0, le=10_000)] = 20


class Wire(Section):
    """``[wire]``: what is accepted from gateways."""

    max_payload_bytes: Annotated[int, Field(ge=1024, le=16_777_216)] = 262_144
    future_s: Annotated[float, Field(ge=0.0, le=86_400.0)] = 300.0
    earliest: date = date(2015, 1, 1)
    unregistered: Literal["accept", "refuse"] = "accept"

    def rules(self) -> WireRules:
        """Give what the decoder goes by."""
        earliest = datetime.combine(self.earliest, time(), UTC)
        return WireRules(
            max_payload_bytes=self.max_payload_bytes,
            future_ms=round(self.future_s * 1000.0),
            earliest_ms=int(earliest.timestamp()) * 1000,
        )


class Quarantine(Section):
    """``[quarantine]``: how much of what was refused is kept."""

    max_rows: Annotated[int, Field(ge=1, le=10_000_000)] = 10_000
    max_mb: Annotated[int, Field(ge=1, le=100_000)] = 64

    @property
    def max_bytes(self) -> int:
        """The bound in bytes."""
        return self.max_mb * 1_000_000


class Models(Section):
    """``[models]``: how long a silence may be."""

    max_gap_s: Annotated[float, Field(ge=1.0, le=3600.0)] = 300.0
    silent_after_s: Annotated[float, Field(ge=10.0, le=604_800.0)] = 900.0
    all_silent_after_s: Annotated[float, Field(ge=10.0, le=604_800.0)] = 300.0

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.silent_after_s < self.max_gap_s:
            msg = "silent_after_s is below max_gap_s; raise it, or lower max_gap_s"
            raise ValueError(msg)
        return self


class Diagnosis(Section):
    """``[diagnosis]``: how often a sound truck may be accused."""

    false_alarms_per_driving_hour: Annotated[float, Field(ge=1e-8, le=0.1)] = FALSE_ALARMS_PER_H


class UnitNames(Section):
    """``[fleet.units]``: how people read numbers."""

    temperature: Literal["C", "F"] = "C"
    distance: Literal["km", "mi"] = "km"
    volume: Literal["L", "qt"] = "L"

    def units(self, zone: tzinfo) -> Units:
        """Give the units for the words; ``zone`` says where days begin."""
        return Units(
            temperature=self.temperature,
            distance=self.distance,
            volume=self.volume,
            zone=zone,
        )


class FleetSection(Section):
    """``[fleet]``: the trucks, and where they are at home."""

    file: Path | None = None
    time_zone: str = "UTC"
    units: UnitNames = UnitNames()

    @field_validator("time_zone")
    @classmethod
    def _known_zone(cls, name: str) -> str:
        try:
            ZoneInfo(name)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            msg = f"no time zone is named {name!r}; write it like UTC or Etc/GMT+6"
            raise ValueError(msg) from None
        return name

    @property
    def zone(self) -> ZoneInfo:
        """The time zone."""
        return ZoneInfo(self.time_zone)


class PaceSection(Section):
    """``[alerts.pace]``: how often the same person, or list, is told."""

    gather_s: Annotated[float, Field(ge=0.0, le=60.0)] = 2.0
    critical_wait_s: Annotated[float, Field(ge=20.0, le=600.0)] = 20.0
    per_hour: Annotated[int, Field(ge=1, le=1000)] = 10

    def rules(self) -> PaceRules:
        """Give what the dispatcher goes by."""
        return PaceRules(
            gather_ms=round(self.gather_s * 1000.0),
            critical_gap_ms=round(self.critical_wait_s * 1000.0),
            per_hour=self.per_hour,
        )


class Alerts(Section):
    """``[alerts]``: who is told, and until when something is news."""

    late_after_s: Seconds = 900.0
    people: Path | None = None
    log: LogSection = LogSection()
    smtp: Smtp | None = None
    webhooks: dict[str, Webhook] = Field(default_factory=dict)
    relays: dict[str, Relay] = Field(default_factory=dict)
    advice: AdviceSection | None = None
    pace: PaceSection = PaceSection()
    chatter: ChatterSection = ChatterSection()
    shelf: ShelfSection = ShelfSection()

    @model_validator(mode="after")
    def _reaches_somebody(self) -> Self:
        if self.smtp is not None and not self.smtp.recipients and self.people is None:
            msg = "smtp reaches nobody: set smtp.recipients, or people with addresses of their own"
            raise ValueError(msg)
        return self


class Service(Section):
    """``[service]``: when service dates are looked at, in the fleet's time zone, and what is told anew."""

    review_at: time = time(6)
    moved_days: Annotated[float, Field(ge=1.0, le=365.0)] = 14.0
    moved_out_of_interval: bool = True

    @field_validator("review_at")
    @classmethod
    def _plain(cls, at: time) -> time:
        if at.tzinfo is not None or at.second or at.microsecond:
            msg = f"{at.isoformat()} is not a plain time of day; write it like 06:00"
            raise ValueError(msg)
        return at

    def rules(self) -> DateRules:
        """Give what the review goes by."""
        return DateRules(
            moved_ms=round(self.moved_days * 86_400_000),
            out_of_interval=self.moved_out_of_interval,
        )


class ClockSection(Section):
    """``[clock]``: for demonstrations and tests only."""

    rate: Annotated[float, Field(gt=0.0, le=100_000.0)] = 1.0
    start: datetime | None = None
    anchor: datetime | None = None

    @field_validator("start", "anchor")
    @classmethod
    def _has_offset(cls, start: datetime | None) -> datetime | None:
        if start is not None and start.tzinfo is None:
            msg = f"{start.isoformat()} has no offset from UTC; add Z"
            raise ValueError(msg)
        return start
