"""What the shapes of the API have in common: how times and numbers are written.

Everything is SI and carries its unit in its name; a time is RFC 3339 in UTC; what is not known is null.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    GetCoreSchemaHandler,
    create_model,
)
from pydantic_core import CoreSchema, core_schema

from models.units import rfc3339


class Shape(BaseModel):
    """Base of all shapes; a field's docstring is its description."""

    model_config = ConfigDict(frozen=True, use_attribute_docstrings=True)


class Asked(Shape):
    """Base of what is sent to the API: what is not known, or of another type, is refused."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)


def _whole(value: object) -> object:
    return int(value) if isinstance(value, float) and value.is_integer() else value


Moment = Annotated[
    str,
    Field(json_schema_extra={"format": "date-time"}, examples=["2026-06-16T08:30:00.000Z"]),
]
"""A time, RFC 3339, UTC."""

Truck = Annotated[str, Field(examples=["NF-03"])]
Share = Annotated[float, Field(examples=[0.42])]

Count = Annotated[int, BeforeValidator(_whole)]
"""A whole number that is sent: 2.0 is one too, as JSON Schema has it."""


def moment(time_ms: float) -> str:
    """Write a time [Unix ms]."""
    return rfc3339(round(time_ms))


def moment_or_none(time_ms: float | None) -> str | None:
    """Write a time [Unix ms]; what is not known (None, NaN, 0) is null."""
    return None if not time_ms or math.isnan(time_ms) else moment(time_ms)


def known(number: float | None) -> float | None:
    """Give a number; one that is not known (NaN) is null."""
    return None if number is None or not math.isfinite(number) else float(number)


def shape_by_table(
    name: str, base: type[Shape], described: str, fields: Mapping[str, tuple[Any, Any]]
) -> Any:
    """Make a shape whose fields a table of another package names: types and what pydantic's Field says."""
    make: Any = create_model
    return make(name, __base__=base, __doc__=described, **fields)


@dataclass(frozen=True, slots=True)
class OneOf:
    """A text that is one of some, which a table of another package names."""

    names: Sequence[str]

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        """Take these and no others."""
        del source, handler
        return core_schema.literal_schema(list(self.names))
