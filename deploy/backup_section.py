"""``[backup]``: where backups go, and which of them stay."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from pydantic import Field, field_validator

from deploy.backup.rotation import Keep
from deploy.section import Section


class BackupSection(Section):
    """``[backup]``: the folder that ``heatbook backup`` writes to, and how many backups stay there."""

    folder: Path | None = None
    keep: Annotated[int, Field(ge=1, le=10_000)] | None = 14
    keep_days: Annotated[float, Field(ge=1.0, le=36_500.0)] | None = None
    warn_after_hours: Annotated[float, Field(ge=1.0, le=87_600.0)] | None = 50.0

    @field_validator("folder", mode="before")
    @classmethod
    def _not_empty(cls, value: object) -> object:
        if value == "":
            msg = "is empty, which is no folder; name one, or take the key out"
            raise ValueError(msg)
        return value

    def rules(self) -> Keep:
        """Give what stays."""
        return Keep(number=self.keep, days=self.keep_days)
