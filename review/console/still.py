"""A still picture of a chart: paths for an SVG that the page itself draws, without scripts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from review.series import Series
from review.series_lines import Line

WIDTH, HEIGHT = 1000.0, 300.0
"""Of the drawing, in units of its own; the page stretches it."""

NEAR_K = 30.0
"""A limit is drawn when the fluid came so near to it [K]: farther off it would only squeeze the line."""

_MARGIN = 0.06


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """The path of one line, and of the area between its least and greatest (empty: there is none)."""

    name: str
    line: str
    area: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """A span of time in the drawing, with the class that colours it."""

    x: float
    width: float
    kind: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Still:
    """The drawing; ``low_c`` and ``high_c`` [°C] are its edges, none: no temperature was measured."""

    low_c: float | None
    high_c: float | None
    traces: Sequence[Trace]
    boxes: Sequence[Box]
    limits: Sequence[float]


def still_of(found: Series) -> Still:
    """Draw the temperatures of a series."""
    lines = [line for line in found.lines if line.unit == "°C"]
    edges = _edges(found, lines)
    if edges is None:
        return Still(low_c=None, high_c=None, traces=(), boxes=tuple(_boxes(found)), limits=())
    low_c, high_c = edges
    return Still(
        low_c=low_c,
        high_c=high_c,
        traces=[_trace(found, line, low_c, high_c) for line in lines],
        boxes=tuple(_boxes(found)),
        limits=_down(np.array(_near(found, lines)), low_c, high_c).round(1).tolist(),
    )


def _edges(found: Series, lines: Sequence[Line]) -> tuple[float, float] | None:
    values = np.array([value for line in lines for each in _all(line) for value in each], float)
    if not np.isfinite(values).any():
        return None
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    high = max([high, *_near(found, lines)])
    room = max(high - low, 1.0) * _MARGIN
    return low - room, high + room


def _near(found: Series, lines: Sequence[Line]) -> list[float]:
    fluid = [np.asarray(each, dtype=np.float64) for line in lines[:1] for each in _all(line)]
    hottest = max(
        (float(np.nanmax(each)) for each in fluid if np.isfinite(each).any()), default=-np.inf
    )
    return [each.celsius for each in found.limits if hottest >= each.celsius - NEAR_K]


def _all(line: Line) -> Iterator[Sequence[float | None]]:
    yield line.mean
    if line.high:
        yield line.low
        yield line.high


def _boxes(found: Series) -> Iterator[Box]:
    for night in found.nights:
        yield _box(found, night.first_ms, night.last_ms, "night")
    for alarm in found.alarms:
        yield _box(found, alarm.first_ms, alarm.last_ms, f"alarm-{alarm.priority}")


def _box(found: Series, first_ms: int, last_ms: int, kind: str) -> Box:
    x, end = _across(found, np.array([first_ms, last_ms]))
    return Box(x=round(float(x), 1), width=round(max(float(end - x), 2.0), 1), kind=kind)


def _trace(found: Series, line: Line, low_c: float, high_c: float) -> Trace:
    time_ms = np.asarray(found.time_ms, dtype=np.int64)
    x = _across(found, time_ms)
    low, mean, high = (
        _down(np.asarray(values, dtype=np.float64), low_c, high_c)
        for values in (line.low or line.mean, line.mean, line.high or line.mean)
    )
    runs = list(_runs(time_ms, mean, found.gap_ms))
    wide = [run for run in runs if len(run) > 1]
    drawn = [_path(x[run], mean[run]) for run in wide]
    # What stands alone is drawn from its least to its greatest.
    drawn += [
        f"M{x[run[0]]:.1f},{low[run[0]]:.1f}V{high[run[0]] - 1.0:.1f}"
        for run in runs
        if len(run) == 1
    ]
    areas = [
        _path(np.r_[x[run], x[run][::-1]], np.r_[high[run], low[run][::-1]]) + "Z"
        for run in wide
        if line.high
    ]
    return Trace(name=line.name, line=" ".join(drawn), area=" ".join(areas))


def _runs(
    time_ms: NDArray[np.int64], values: NDArray[np.float64], gap_ms: int
) -> Iterator[NDArray[np.int64]]:
    """Give the places of what is drawn in one go: never across a gap."""
    known = np.flatnonzero(np.isfinite(values))
    if len(known) == 0:
        return
    breaks = np.flatnonzero(np.diff(time_ms[known]) > gap_ms) + 1
    yield from np.split(known, breaks)


def _path(x: NDArray[np.float64], y: NDArray[np.float64]) -> str:
    points = " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x, y, strict=True))
    return f"M{points}"


def _across(found: Series, time_ms: NDArray[np.int64]) -> NDArray[np.float64]:
    return (time_ms - found.first_ms) / (found.last_ms - found.first_ms) * WIDTH


def _down(celsius: NDArray[np.float64], low_c: float, high_c: float) -> NDArray[np.float64]:
    return (high_c - celsius) / (high_c - low_c) * HEIGHT
