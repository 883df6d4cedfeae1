"""The picture of a temperature over the hours of an alarm: small enough for a mail, readable on a phone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from models.habits import DAY_MS
from models.units import Units
from review.pictures.looks import (
    BLUE,
    FAINT,
    GREEN,
    INK,
    RED,
    degrees,
    drawing,
    quiet,
    rendered,
)

WIDTH_IN, HEIGHT_IN, DPI = 4.2, 3.0, 200
"""840 pixels across, shown at half of that on a phone: letters of 9 points are then as tall as a mail's."""

GAP_MS = 5 * 60_000
"""A line is broken where nothing was measured for longer [ms]."""

NEAR_K = 30.0
"""A limit is drawn when the fluid came so near to it [K]: farther off it would only squeeze the line."""

Z_80 = 1.2815515655446004
"""Standard deviations on either side that hold 8 in 10 of a normal distribution [-]."""


_STEPS_MS = tuple(
    minutes * 60_000 for minutes in (5, 10, 15, 20, 30, 60, 120, 180, 240, 720, 1440)
)
"""Steps of the time axis [ms]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Healthy:
    """What a healthy truck would have shown: times [Unix ms], means [°C], spreads [K]; shape (n,)."""

    time_ms: NDArray[np.int64]
    celsius: NDArray[np.float64]
    sd_k: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """What is drawn: the measured fluid [°C] by time [Unix ms], shape (n,), and what it is held against.

    ``limits`` by name [°C]; ``onset_ms``: since when the condition holds.
    """

    truck: str
    time_ms: NDArray[np.int64]
    fluid_c: NDArray[np.float64]
    healthy: Healthy | None = None
    limits: Sequence[tuple[str, float]] = ()
    onset_ms: int


def draw(course: Course, units: Units, zone: tzinfo) -> bytes:
    """Draw it as PNG."""
    with drawing():
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN), dpi=DPI, layout="constrained")
        axes = figure.subplots()
        _band(axes, course, units)
        _line(axes, course, units)
        _limits(axes, course, units)
        _onset(axes, course)
        _frame(axes, course, units, zone)
        return rendered(figure, "png", {"Software": None})


def describe(course: Course, units: Units, zone: tzinfo) -> str:
    """Say in words and numbers what the picture shows."""
    first, last = int(course.time_ms[0]), int(course.time_ms[-1])
    low, high = float(course.fluid_c.min()), float(course.fluid_c.max())
    span = f"from {_clock(first, zone)} to {_clock(last, zone)}"
    parts = [
        f"Temperature of the fluid of {course.truck} {span}:",
        f"between {units.degrees(low)} and {units.degrees(high)},",
        f"at the end {units.degrees(float(course.fluid_c[-1]))}.",
    ]
    if course.healthy is not None:
        mean, sd_k = float(course.healthy.celsius[-1]), float(course.healthy.sd_k[-1])
        parts.append(
            f"A healthy truck would have shown about {units.degrees(mean)} at the end (8 in 10: "
            f"{units.degrees(mean - Z_80 * sd_k)} to {units.degrees(mean + Z_80 * sd_k)})."
        )
    parts += [
        f"{name.capitalize()} temperature {units.degrees(celsius)}: "
        + ("passed." if high > celsius else "not reached.")
        for name, celsius in course.limits
    ]
    if course.onset_ms >= first:
        parts.append(f"The condition began at {_clock(course.onset_ms, zone)}.")
    else:
        parts.append("The condition began before that.")
    return " ".join(parts)


def shown(
    limits: Sequence[tuple[str, float]], hottest_c: float
) -> tuple[tuple[str, float], ...]:
    """Keep the limits that the fluid came near to."""
    return tuple(limit for limit in limits if hottest_c >= limit[1] - NEAR_K)


def _line(axes: Axes, course: Course, units: Units) -> None:
    time_ms, fluid_c = course.time_ms, course.fluid_c.copy()
    holes = np.flatnonzero(np.diff(time_ms) > GAP_MS) + 1
    times = np.insert(time_ms, holes, time_ms[holes - 1] + 1)
    values = np.insert(_in(fluid_c, units), holes, np.nan)
    axes.plot(_days(times), values, color=BLUE, linewidth=1.8, label="measured")
    end = float(_in(fluid_c, units)[-1])
    where = float(_days(time_ms[-1:])[0])
    axes.plot([where], [end], "o", color=BLUE, markersize=5.0, clip_on=False, zorder=5)
    # Beside the line, on the side that it did not come from.
    rose = fluid_c[-1] >= fluid_c[max(0, len(fluid_c) - 30)]
    axes.annotate(
        f"{end:.0f}°",
        (where, end),
        xytext=(5, 0),
        textcoords="offset points",
        va="bottom" if rose else "top",
        size=10.0,
        weight="bold",
        color=BLUE,
        annotation_clip=False,
    )


def _band(axes: Axes, course: Course, units: Units) -> None:
    if (healthy := course.healthy) is None:
        return
    low = _in(healthy.celsius - Z_80 * healthy.sd_k, units)
    high = _in(healthy.celsius + Z_80 * healthy.sd_k, units)
    axes.fill_between(
        _days(healthy.time_ms),
        low,
        high,
        facecolor=(*_rgb(GREEN), 0.25),
        edgecolor=GREEN,
        linewidth=0.8,
        hatch="////",
        label="healthy truck (8 in 10)",
    )


def _limits(axes: Axes, course: Course, units: Units) -> None:
    for name, celsius in course.limits:
        level = degrees(celsius, units)
        axes.axhline(level, color=RED, linestyle="--", linewidth=1.1)
        axes.annotate(
            f"{name} {level:.0f}°",
            (0.005, level),
            xycoords=("axes fraction", "data"),
            va="bottom",
            size=8.0,
            color=RED,
        )


def _onset(axes: Axes, course: Course) -> None:
    if not course.time_ms[0] <= course.onset_ms <= course.time_ms[-1]:
        return
    where = course.onset_ms / DAY_MS
    axes.axvline(where, color=INK, linestyle=":", linewidth=1.4)
    late = course.onset_ms > (int(course.time_ms[0]) + int(course.time_ms[-1])) / 2
    axes.annotate(
        "began ",
        (where, 0.02),
        xycoords=("data", "axes fraction"),
        ha="right" if late else "left",
        size=8.0,
        color=INK,
    )


def _frame(axes: Axes, course: Course, units: Units, zone: tzinfo) -> None:
    quiet(axes)
    axes.tick_params(labelsize=9.0)
    axes.set_xlim(course.time_ms[0] / DAY_MS, course.time_ms[-1] / DAY_MS)
    axes.margins(x=0.0, y=0.12)
    ticks = _ticks(int(course.time_ms[0]), int(course.time_ms[-1]), zone)
    axes.set_xticks([each / DAY_MS for each in ticks], [_clock(each, zone) for each in ticks])
    axes.set_title(
        f"{course.truck}: fluid temperature, °{units.temperature}",
        loc="left",
        size=10.0,
        weight="bold",
    )
    axes.legend(
        loc="upper center",
        bbox_to_anchor=(0.5, -0.12),
        ncols=2,
        fontsize=8.5,
        edgecolor=FAINT,
        borderaxespad=0.0,
    )


def _ticks(first_ms: int, last_ms: int, zone: tzinfo) -> list[int]:
    """Give the round times of the clock between two times [Unix ms], five at most."""
    step_ms = next(each for each in _STEPS_MS if last_ms - first_ms < 5 * each)
    ahead = datetime.fromtimestamp(last_ms / 1000, zone).utcoffset() or timedelta()
    ahead_ms = round(ahead.total_seconds() * 1000)
    begin_ms = -(-(first_ms + ahead_ms) // step_ms) * step_ms - ahead_ms
    return list(range(begin_ms, last_ms + 1, step_ms))


def _in(celsius: NDArray[np.float64], units: Units) -> NDArray[np.float64]:
    return celsius * 1.8 + 32.0 if units.temperature == "F" else celsius


def _days(time_ms: NDArray[np.int64]) -> NDArray[np.float64]:
    """Give the days since 1970 that the library counts in [d]."""
    return np.asarray(time_ms, dtype=np.float64) / DAY_MS


def _rgb(colour: str) -> tuple[float, float, float]:
    red, green, blue = (int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5))
    return red, green, blue


def _clock(time_ms: int, zone: tzinfo) -> str:
    local = datetime.fromtimestamp(time_ms / 1000, UTC).astimezone(zone)
    return f"{local:%H:%M}"
