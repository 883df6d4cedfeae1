"""A truck's chart as the API gives it: the shapes of ``review.series``, described.

Columns of numbers, and times as Unix ms: it is made to be drawn.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from models.sample import SIGNALS
from review.api.shape import OneOf, Shape, Truck
from review.series_lines import LABELS

Drawn = Annotated[str, OneOf(tuple(LABELS))]
Column = Annotated[list[float | None], Field(examples=[[88.5, None, 89.0]])]
Times = Annotated[list[int], Field(examples=[[1781589600000]])]


class ChartLine(Shape):
    """One signal; a number for each of `time_ms`, null where it was absent."""

    name: Drawn
    """The signal; its name carries its unit."""
    label: str
    """What people call it."""
    unit: Annotated[str, OneOf(tuple(dict.fromkeys(each.unit for each in SIGNALS)))]
    """Its unit."""
    mean: Column
    """Mean of the bucket, or the sample."""
    low: Column
    """Least of the bucket; empty where every sample is there."""
    high: Column
    """Greatest of the bucket; empty where every sample is there."""


class ChartHealthy(Shape):
    """What the fluid would show if the circuit were healthy, by its own times; 8 in 10 lie in the band."""

    time_ms: Times
    """When [Unix ms]."""
    mean: list[float]
    """Expected [°C]."""
    low: list[float]
    """Lower end of the band [°C]."""
    high: list[float]
    """Upper end of the band [°C]."""


class ChartLimit(Shape):
    """A limit of the fluid."""

    name: str
    """What it is."""
    celsius: float
    """Where it lies [°C]."""


class ChartCircuit(Shape):
    """What was estimated of the cooling circuit, by its own times."""

    time_ms: Times
    """When [Unix ms]."""
    share: Column
    """What the cooler carries, of this truck's own healthy one [-]."""
    share_sd: Column
    """Standard deviation of that [-]."""
    p_fault: Column
    """Probability that the circuit is not healthy [0..1]."""


class ChartAlarm(Shape):
    """An alarm as far as it lies in the span."""

    id: str
    """Its id."""
    kind: str
    """What it is about."""
    label: str
    """That in a few words."""
    title: str
    """What it is called."""
    priority: str
    """How urgent."""
    state: str
    """Its state, in words."""
    first_ms: int
    """From when, cut at the span [Unix ms]."""
    last_ms: int
    """Until when, cut at the span [Unix ms]."""
    begins: bool
    """Whether it began within the span."""
    ends: bool
    """Whether it was over within the span."""


class ChartService(Shape):
    """An entry of the service record."""

    time_ms: int
    """When [Unix ms]."""
    label: str
    """What was done."""
    details: str
    """What else was said."""


class ChartStretch(Shape):
    """From when to when."""

    first_ms: int
    """Beginning [Unix ms]."""
    last_ms: int
    """End [Unix ms]."""


class Chart(Shape):
    """A truck over a span, to be drawn."""

    truck: Truck
    """The truck."""
    first_ms: int
    """Beginning of the span [Unix ms]."""
    last_ms: int
    """End of the span [Unix ms]."""
    oldest_ms: int | None
    """The truck's first sample [Unix ms]."""
    newest_ms: int | None
    """Its last [Unix ms]."""
    bucket_ms: int
    """How long each point stands for [ms]; 0: every sample is there."""
    gap_ms: int
    """Across more than this no line is drawn [ms]."""
    time_ms: Times
    """Where each point is drawn [Unix ms]."""
    lines: list[ChartLine]
    """The signals."""
    healthy: ChartHealthy | None
    """The healthy band."""
    healthy_why: str
    """Why there is none, else empty."""
    limits: list[ChartLimit]
    """The fluid's limits."""
    circuit: ChartCircuit | None
    """Estimates of the circuit."""
    alarms: list[ChartAlarm]
    """Alarms in the span."""
    services: list[ChartService]
    """Services in the span."""
    gaps: list[ChartStretch]
    """Where nothing was heard."""
    nights: list[ChartStretch]
    """Nights by the fleet's clock."""
    night_words: str
    """What counts as night."""
