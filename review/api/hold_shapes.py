"""Holds as the API gives and takes them: what is kept from telling on purpose."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from alerts.holds import HELD_WORDS
from review.api.instant import At
from review.api.parameters import TRUCK_NAME
from review.api.shape import Asked, Moment, OneOf, Shape, Truck
from review.api.truck_shapes import Kind

HeldState = Annotated[str, OneOf(tuple(each.value for each in HELD_WORDS))]


class Hold(Shape):
    """One hold of a truck."""

    id: int
    """Its number."""
    state: HeldState
    """What it makes of alarms, by IEC 62682."""
    truck: Truck
    """The truck."""
    kind: Kind | None
    """Only alarms of this kind; null: all of the truck."""
    from_at: Moment
    """Since when."""
    until_at: Moment | None
    """Until when; null: until somebody ends it."""
    by: str
    """Who made it."""
    reason: str
    """Why."""


class Holds(Shape):
    """The holds in force."""

    holds: list[Hold]
    """In the order they were made."""


class NewHold(Asked):
    """What is to be held back."""

    state: HeldState
    """`shelved` comes back by itself and needs an end; the other two need a manager."""
    truck: Annotated[str, Field(pattern=TRUCK_NAME, examples=["NF-03"])]
    """The truck."""
    kind: Kind | None = None
    """Only alarms of this kind; left out: all of the truck."""
    until_at: At | None = None
    """When it ends; left out: when somebody ends it."""
    reason: Annotated[
        str, Field(min_length=1, max_length=500, pattern=r"^[^\x00-\x1f\x7f-\x9f]*$")
    ]
    """Why: whoever finds the alarm missing must know."""
