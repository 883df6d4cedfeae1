"""The picture of an account: life used over time with its band, the services, when it will be due."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter
from matplotlib.patches import Patch
from matplotlib.ticker import PercentFormatter

from models.habits import DAY_MS
from review.pictures.account_caption import (
    LISTED,
    AccountPoint,
    Forecast,
    Mark,
    description,
    key,
    summary,
)
from review.pictures.looks import BLUE, INK, ORANGE, RED, SOFT, drawing, quiet, save, sheet
from review.problems import Mistake

LEVELS = ((0.8, "", ":", "center"), (0.95, "", "--", "top"), (1.0, ": due", "-", "bottom"))
"""Share of the limit [-] at which notice is given, what is said of it, its dash, where its name stands."""

_AHEAD = 1.2
_LEAST_AHEAD_DAYS = 60.0
_BESIDE = 0.022
_NEVER_DAYS = 1e6
_MEDIAN: dict[str, Any] = {"color": INK, "linestyle": (0, (6, 3)), "linewidth": 1.8}


def draw_account(
    points: Sequence[AccountPoint],
    marks: Sequence[Mark],
    path: Path,
    *,
    zone: tzinfo,
    forecast: Forecast | None = None,
    title: str = "Life used",
) -> str:
    """Draw an account.

    Parameters
    ----------
    points
        By rising time; the last is now. Two of one time draw an edge.
    marks
        Service entries.
    path
        A name that ends in ``.svg`` or ``.png``.
    zone
        Time zone of dates.
    forecast
        When it will be due; None: nothing is drawn beyond now.
    title
        Heads the picture.

    Returns
    -------
    str
        What the picture shows, in words; the file holds it too.

    Raises
    ------
    review.problems.Mistake
        There is no point, or the name ends otherwise.
    OSError
        The file cannot be written.
    """
    if not points:
        raise Mistake("there is no account to draw yet: no data of this truck have come")
    shown = sorted(marks, key=lambda mark: mark.time_ms)
    with drawing():
        lines = key(shown, zone)
        figure = sheet(5.6 + 0.2 * len(lines), title, summary(points[-1], forecast, zone))
        axes = figure.subplots()
        _time_axis(axes, points, shown, forecast, zone)
        _life_axis(axes, points, 1.0 if forecast is None else forecast.level)
        _past(axes, points)
        if forecast is not None:
            _future(axes, points[-1], forecast)
        _marks(axes, shown)
        axes.legend(loc="lower left", bbox_to_anchor=(-0.01, 1.05), ncols=4, borderaxespad=0.0)
        if lines:
            axes.set_xlabel("\n".join(lines), loc="left", fontsize=10.0, labelpad=10.0)
        described = description(points, shown, forecast, zone)
        save(figure, path, title, described)
    return described


def _time_axis(
    axes: Axes,
    points: Sequence[AccountPoint],
    marks: Sequence[Mark],
    forecast: Forecast | None,
    zone: tzinfo,
) -> None:
    now = _days(points[-1].time_ms)
    first = min(_days(points[0].time_ms), *(_days(mark.time_ms) for mark in marks), now - 1.0)
    last = now
    if forecast is not None:
        # Not farther than what was seen carries: a date years ahead would squeeze the past.
        farthest = now + max(_AHEAD * (now - first), _LEAST_AHEAD_DAYS)
        ends = [forecast.late_ms, forecast.median_ms, forecast.early_ms]
        known = [_days(end_ms) for end_ms in ends if end_ms is not None]
        last = max(now, min(farthest, max(known, default=farthest)))
    room = 0.02 * (last - first)
    axes.set_xlim(first - room, last + room)
    locator = AutoDateLocator(tz=zone, minticks=4, maxticks=9)  # type: ignore[no-untyped-call] # theirs
    axes.xaxis.set_major_locator(locator)
    formatter = ConciseDateFormatter(locator, tz=zone)  # type: ignore[no-untyped-call] # theirs
    axes.xaxis.set_major_formatter(formatter)


def _life_axis(axes: Axes, points: Sequence[AccountPoint], limit: float) -> None:
    best = max(point.best for point in points)
    high = max(point.high for point in points)
    axes.set_ylim(0.0, max(1.12 * limit, 1.12 * best, min(1.05 * high, 2.0 * limit)))
    axes.yaxis.set_major_formatter(PercentFormatter(1.0, decimals=0, symbol=" %"))
    axes.set_ylabel("Life used")
    quiet(axes)
    for share, said, dash, va in LEVELS:
        level = share * limit
        axes.axhline(level, color=RED, linestyle=dash, linewidth=1.2, zorder=1.5)
        axes.annotate(
            f"{100.0 * level:.0f} %{said}",
            (1.005, level),
            xycoords=("axes fraction", "data"),
            va=va,
            size=10.0,
            color=RED,
        )


def _past(axes: Axes, points: Sequence[AccountPoint]) -> None:
    times = [_days(point.time_ms) for point in points]
    low, high = [point.low for point in points], [point.high for point in points]
    axes.fill_between(
        times, low, high, color=BLUE, alpha=0.2, linewidth=0.0, label="80 % band", zorder=2
    )
    for edge in (low, high):
        axes.plot(times, edge, color=BLUE, linewidth=0.8, alpha=0.7)
    best = [point.best for point in points]
    axes.plot(times, best, color=BLUE, linewidth=2.4, label="best estimate", zorder=4)
    axes.plot(times[-1], best[-1], "o", color=BLUE, markersize=7.0, zorder=5)


def _future(axes: Axes, now: AccountPoint, forecast: Forecast) -> None:
    start = _days(now.time_ms)
    axes.axvline(start, color=SOFT, linewidth=1.0)
    # Away from the line of the account, which passes there.
    height = 0.02 if now.best > 0.3 * axes.get_ylim()[1] else 0.6
    axes.annotate(
        "now",
        (start, height),
        xycoords=("data", "axes fraction"),
        xytext=(5.0, 0.0),
        textcoords="offset points",
        size=10.0,
        color=SOFT,
        zorder=5,
    )
    if forecast.median_ms is None or forecast.median_ms <= now.time_ms:
        return
    median = _days(forecast.median_ms)
    early = median if forecast.early_ms is None else _days(forecast.early_ms)
    late = _NEVER_DAYS if forecast.late_ms is None else _days(forecast.late_ms)
    if forecast.reason == "heat" and now.best < forecast.level:
        levels = [now.best, forecast.level]
        corners = ([start, early, late], [*levels, forecast.level])
        fan: Patch = axes.fill(*corners)[0]
        axes.plot([start, median], levels, label="forecast: median", **_MEDIAN)
        axes.plot(median, forecast.level, "D", color=INK, markersize=7.0, zorder=5)
    else:
        fan = axes.axvspan(early, late)
        axes.axvline(median, label="forecast: median", **_MEDIAN)
    fan.set(label="forecast: 80 %", facecolor=(ORANGE, 0.3), edgecolor=(INK, 0.8))
    fan.set(hatch="///", linewidth=0.0)


def _marks(axes: Axes, marks: Sequence[Mark]) -> None:
    """Mark entries along the top, those that are listed by their number; neighbours one above the other."""
    left, right = axes.get_xlim()
    unlisted = len(marks) - LISTED
    taken = [-np.inf] * LISTED
    for place, mark in enumerate(marks):
        at = _days(mark.time_ms)
        axes.axvline(at, color=SOFT, linewidth=0.9, linestyle=(0, (2, 2)), zorder=1.8)
        if place < unlisted:
            continue
        across = (at - left) / (right - left)
        row = next(row for row, last in enumerate(taken) if across - last > _BESIDE)
        taken[row] = across
        axes.annotate(
            str(place + 1 - max(0, unlisted)),
            (at, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(0.0, 2.0 - 17.0 * row),
            textcoords="offset points",
            ha="center",
            va="center",
            size=9.0,
            bbox={"boxstyle": "circle,pad=0.25", "facecolor": "white", "edgecolor": SOFT},
            zorder=6,
        )


def _days(time_ms: float) -> float:
    return time_ms / DAY_MS
