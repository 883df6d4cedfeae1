"""What the sections of the settings are made of."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field


class Section(BaseModel):
    """A table of the settings: an unknown key is an error."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


PriorityName = Literal["low", "medium", "high", "critical"]
Seconds = Annotated[float, Field(gt=0.0, le=31_536_000.0)]
