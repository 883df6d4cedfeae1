"""The review of a truck after a failure as the API gives it."""

from __future__ import annotations

from typing import Annotated

from models.hypotheses import NAMES
from review.api.shape import Moment, OneOf, Shape, Truck
from review.api.truck_shapes import Account

CauseName = Annotated[str, OneOf(NAMES)]


class Happened(Shape):
    """One line of what came when."""

    at: Moment
    """When."""
    kind: str
    """Of what sort it is."""
    text: str
    """What it was."""


class Departure(Shape):
    """When the truck left its own healthy behaviour."""

    alarm: str
    """Kind of the alarm that told first."""
    trusted_at: Moment | None
    """When it was last shown to be within it."""
    left_at: Moment
    """The first moment outside it."""
    doubted_at: Moment
    """Since when a fault was likelier than not."""
    told_at: Moment
    """When the evidence was enough to tell."""
    proven_at: Moment | None
    """When flow through the cooler had last been proven by then."""
    ended_at: Moment | None
    """When it was back; null: not before the end."""
    peak_probability: float | None
    """Highest probability of a fault [0..1]."""
    cause: CauseName | None
    """The likeliest cause then; null: not by the balance of heat."""


class WeighedCause(Shape):
    """One cause, and how likely it was."""

    name: CauseName
    """Its short name."""
    first_probability: float | None
    """When a fault was first sure [0..1]."""
    last_probability: float | None
    """At the last moment that could tell [0..1]."""
    highest_probability: float | None
    """At most [0..1]."""
    likeliest_h: float
    """For how long it was the likeliest [h]."""


class Excursion(Shape):
    """One time above the limit."""

    from_at: Moment
    """First reading beyond it."""
    until_at: Moment
    """Last reading beyond it."""
    peak_at: Moment
    """When it was hottest."""
    peak_temp_c: float
    """How hot [°C]."""
    above_limit_s: float
    """Time above the limit [s]."""
    life_used_share: float | None
    """Life of the fluid that it used [-]."""
    this_fill: bool
    """Whether it was the fill that is in at the end."""
    healthy_peak_temp_c: float | None
    """Hottest that a healthy circuit would have shown under the same load [°C]."""
    fault_probability: float | None
    """Highest probability of a fault meanwhile [0..1]."""
    ambient_temp_c: float | None
    """Outside air [°C]."""
    heat_made_kw: float | None
    """Heat made in the gearbox [kW]."""


class HotTime(Shape):
    """Time above a temperature, in the fill at the end."""

    name: str
    """What that temperature is."""
    above_temp_c: float
    """The temperature [°C]."""
    held_h: float
    """Time above it, as measured [h]."""
    aged_share: float | None
    """Its share of the ageing [-]."""


class Review(Shape):
    """A truck up to a date: what failed, what came first, what is not known."""

    truck: Truck
    """The truck."""
    title: str
    """What people call it."""
    from_at: Moment
    """Beginning: since the gearbox went in, or the first sample."""
    until_at: Moment
    """End: what is at it counts no longer."""
    fill_from_at: Moment
    """When the fluid went in."""
    replaced_at: Moment | None
    """When the record puts another gearbox in, at or soon after the end."""
    headline: str
    """The answer in a line."""
    answer: list[str]
    """The answer in sentences."""
    remarks: list[str]
    """What to mind about it."""
    timeline: list[Happened]
    """What came when."""
    departure: Departure | None
    """When it left its healthy behaviour; null: it did not, as far as could be seen."""
    causes: list[WeighedCause]
    """Causes, the likeliest first."""
    excursions: list[Excursion]
    """Times above the limit, the worst first."""
    levels: list[HotTime]
    """Time above temperatures."""
    account: Account
    """The account of the fluid at the end."""
    not_known: list[str]
    """What is not known."""
    method: list[str]
    """How it was found."""
    limits_of_it: str
    """What such a review cannot be."""
    samples_count: int
    """Samples that it rests on."""
