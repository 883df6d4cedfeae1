"""The pictures of a review: the hours of the departure, the days before the end, the whole life."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter
from matplotlib.figure import Figure
from matplotlib.ticker import PercentFormatter
from numpy.typing import NDArray

from models.ageing import rate
from models.habits import DAY_MS
from models.hypotheses import AIR, COUNT, FLOW, HEALTHY, LOW, OPEN, SENSOR, SHUT, SLIP
from models.tell_apart import called
from models.units import Units
from review.dossier.cause_words import first_cause
from review.dossier.facts import Dossier
from review.dossier.pen import Pen
from review.pictures.bins import bins_figure, bins_words
from review.pictures.looks import (
    BLUE,
    GREEN,
    INK,
    ORANGE,
    PURPLE,
    RED,
    SOFT,
    degrees,
    drawing,
    quiet,
    rendered,
    sheet,
    svg,
)
from review.pictures.temperature import Z_80

GAP_MS = 5 * 60_000
"""A line is broken where nothing was noted for longer [ms]."""

BEFORE_MS, AFTER_MS = 3_600_000, 4 * 3_600_000
"""So much before the departure and after it is shown closely [ms]."""

LEAST_LIFE_MS = 3 * DAY_MS
"""A life of less is shown by its hours alone [ms]."""

NEAR_K = 30.0
"""A limit is drawn where the fluid came so near to it [K]."""

_CAUSES: tuple[tuple[int, str, str], ...] = (
    (SHUT, RED, ""),
    (LOW, ORANGE, ".."),
    (FLOW, PURPLE, "//"),
    (AIR, BLUE, "\\\\"),
    (SLIP, SOFT, "xx"),
    (SENSOR, INK, "--"),
    (OPEN, "#7fb3d5", "++"),
    (HEALTHY, GREEN, ""),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A picture: its name, its title, what it shows in words; it is drawn when a file of it is asked for."""

    name: str
    title: str
    words: str
    draw: Callable[[], Figure]

    def png(self, dpi: int = 200) -> bytes:
        """Give it as PNG."""
        with drawing():
            told = {"Title": self.title, "Description": self.words, "Software": None}
            return rendered(self.draw(), "png", told, dpi)

    def files(self, dpi: int = 150) -> dict[str, bytes]:
        """Give it as PNG and as SVG, with what it shows in words inside; drawn once for both."""
        with drawing():
            figure = self.draw()
            told = {"Title": self.title, "Description": self.words, "Software": None}
            return {
                "svg": svg(figure, self.title, self.words).encode(),
                "png": rendered(figure, "png", told, dpi),
            }


def pictures(found: Dossier, pen: Pen) -> Iterator[Picture]:
    """Draw all pictures for which there is something to draw."""
    if len(found.readings.time_ms) < 2:
        return
    first_ms, last_ms = closest(found)
    yield _stretch(found, pen, "hours", "The hours in question", first_ms, last_ms)
    worst = _hottest(found, first_ms, last_ms)
    if worst is not None:
        yield _stretch(found, pen, "heat", "The worst heat", *worst)
    days = (found.span.close_ms, found.span.last_ms)
    if days[1] - days[0] > 2 * (last_ms - first_ms):
        yield _stretch(found, pen, "days", "The days before the end", *days)
    if found.span.last_ms - found.span.first_ms > LEAST_LIFE_MS:
        yield _life(found, pen)
    if sum(found.account.bins) > 0.0:
        yield _bins(found, pen)


def closest(found: Dossier) -> tuple[int, int]:
    """Give the hours that are shown closely: of the departure, else of the worst heat, else the last."""
    span = found.span
    middle_ms = span.last_ms - AFTER_MS
    if found.departure is not None:
        middle_ms = found.departure.left_ms
    elif found.excursions:
        middle_ms = found.excursions[0].start_ms
    return (
        max(span.first_ms, middle_ms - BEFORE_MS),
        min(span.last_ms, middle_ms + AFTER_MS),
    )


def _hottest(found: Dossier, first_ms: int, last_ms: int) -> tuple[int, int] | None:
    """Give the hours of the worst time above the limit, where they are not shown already."""
    if not found.excursions:
        return None
    worst = found.excursions[0]
    if first_ms <= worst.start_ms <= last_ms:
        return None
    return (
        max(found.span.first_ms, worst.start_ms - BEFORE_MS),
        min(found.span.last_ms, worst.end_ms + BEFORE_MS),
    )


def _stretch(
    found: Dossier, pen: Pen, name: str, title: str, first_ms: int, last_ms: int
) -> Picture:
    headed = f"{title}: {found.vehicle}"
    words = _said(found, pen, first_ms, last_ms)

    def draw() -> Figure:
        notes = _within(found.course.close, first_ms, last_ms)
        figure = sheet(8.2, headed, f"{pen.stamp(first_ms)} to {pen.stamp(last_ms)}")
        heat, duty, causes = figure.subplots(
            3, 1, sharex=True, gridspec_kw={"height_ratios": (3.4, 1.3, 1.6)}
        )
        _temperature(heat, found, notes, pen.units, first_ms, last_ms)
        _marks(heat, found, first_ms, last_ms)
        _load(duty, notes, pen.units)
        _probabilities(causes, found, notes)
        _time_axis(causes, pen.units, first_ms, last_ms)
        return figure

    return Picture(name=name, title=headed, words=words, draw=draw)


def _temperature(
    axes: Axes, found: Dossier, notes: NDArray[Any], units: Units, first_ms: int, last_ms: int
) -> None:
    times, low, high = _broken(
        notes["time_ms"],
        _in(notes["expected_c"] - Z_80 * notes["expected_sd_k"], units),
        _in(notes["expected_c"] + Z_80 * notes["expected_sd_k"], units),
    )
    axes.fill_between(
        _days(times),
        low,
        high,
        facecolor=GREEN,
        alpha=0.35,
        edgecolor=GREEN,
        linewidth=0.8,
        label="healthy circuit, same work (8 in 10)",
    )
    within = (found.readings.time_ms >= first_ms) & (found.readings.time_ms <= last_ms)
    times, fluid = _broken(
        found.readings.time_ms[within], _in(found.readings.fluid_c[within], units)
    )
    axes.plot(_days(times), fluid, color=BLUE, linewidth=1.4, label="fluid, measured")
    hottest_c = float(np.nanmax(found.readings.fluid_c[within], initial=-300.0))
    for name, celsius in (
        ("highest allowed", found.limits.limit_c),
        ("critical", found.limits.critical_c),
    ):
        if hottest_c < celsius - NEAR_K:
            continue
        level = degrees(celsius, units)
        axes.axhline(level, color=RED, linestyle="--", linewidth=1.1)
        axes.annotate(
            f"{name} {level:.0f} °{units.temperature}",
            (0.995, level),
            xycoords=("axes fraction", "data"),
            ha="right",
            va="bottom",
            size=9.0,
            color=RED,
        )
    axes.set_ylabel(f"Fluid [°{units.temperature}]")
    axes.margins(y=0.14)
    axes.legend(loc="lower left", bbox_to_anchor=(-0.01, 1.0), ncols=3, borderaxespad=0.2)
    quiet(axes)


def _marks(axes: Axes, found: Dossier, first_ms: int, last_ms: int) -> None:
    """Mark what came first, the first alarm after it, and services."""
    for time_ms, text, colour, dash in _marked(found):
        if not first_ms <= time_ms <= last_ms:
            continue
        axes.axvline(time_ms / DAY_MS, color=colour, linestyle=dash, linewidth=1.3)
        late = time_ms > (first_ms + last_ms) / 2
        axes.annotate(
            f" {text} ",
            (time_ms / DAY_MS, 0.02 if text == "alarm" else 0.94),
            xycoords=("data", "axes fraction"),
            ha="right" if late else "left",
            size=9.0,
            color=colour,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5, "alpha": 0.8},
        )


def _marked(found: Dossier) -> Iterator[tuple[int, str, str, str]]:
    if found.departure is not None:
        yield found.departure.left_ms, f"left: {first_cause(found)}", INK, "-"
    since_ms = found.span.first_ms if found.departure is None else found.departure.left_ms
    raised = [each.alarm.raised_ms for each in found.alarms if each.alarm.raised_ms >= since_ms]
    if raised:
        yield min(raised), "alarm", RED, ":"
    for each in found.record:
        if each.id in found.counting and each.kind not in ("register", "sample"):
            yield each.time_ms, each.kind.replace("_", " "), SOFT, "-."


def _load(axes: Axes, notes: NDArray[Any], units: Units) -> None:
    times, heat = _broken(notes["time_ms"], notes["heat_kw"])
    axes.plot(_days(times), heat, color=ORANGE, linewidth=1.0)
    axes.set_ylabel("Heat made\n[kW]", color=INK)
    axes.set_ylim(bottom=0.0)
    quiet(axes)
    air = axes.twinx()
    times, celsius = _broken(notes["time_ms"], _in(notes["air_c"], units))
    air.plot(_days(times), celsius, color=SOFT, linewidth=1.2, linestyle="--")
    air.set_ylabel(f"Outside, dashed\n[°{units.temperature}]")
    air.spines[["top", "left"]].set_visible(False)
    air.tick_params(length=0)


def _probabilities(axes: Axes, found: Dossier, notes: NDArray[Any]) -> None:
    """Stack the probabilities of the causes, those that never mattered left out."""
    p = np.nan_to_num(notes["p"])
    if len(p) == 0 or not p.any():
        axes.text(0.5, 0.5, "not judged", transform=axes.transAxes, ha="center", color=SOFT)
        axes.set_yticks([])
        return
    floor = np.zeros(len(p))
    for place, colour, hatch in _CAUSES:
        if place >= COUNT or (place != HEALTHY and p[:, place].max() < 0.02):
            continue
        top = floor + p[:, place]
        times, low, high = _broken(notes["time_ms"], floor, top)
        name = "healthy" if place == HEALTHY else _short(found, place)
        axes.fill_between(
            _days(times),
            low,
            high,
            facecolor=colour,
            alpha=0.75 if place != HEALTHY else 0.25,
            edgecolor="white",
            linewidth=0.0,
            hatch=hatch,
            label=name,
        )
        floor = top
    times, share = _broken(notes["time_ms"], np.clip(notes["share"], 0.0, 1.2))
    axes.plot(
        _days(times),
        share,
        color=INK,
        linewidth=1.2,
        label="what the cooler carries, of its own",
    )
    axes.set_ylim(0.0, 1.05)
    axes.yaxis.set_major_formatter(PercentFormatter(1.0, decimals=0, symbol="%"))
    axes.set_ylabel("How likely")
    axes.legend(loc="upper left", bbox_to_anchor=(-0.01, -0.36), ncols=4, borderaxespad=0.0)
    quiet(axes)


def _short(found: Dossier, place: int) -> str:
    name = called(place, by_coolant=found.coolant_cooled)
    return name.removeprefix("a ").removeprefix("some ")


def _life(found: Dossier, pen: Pen) -> Picture:
    """Draw each day's range of temperatures and the life used, since the gearbox went in."""
    first_ms, last_ms = found.span.first_ms, found.span.last_ms
    headed = f"The whole life: {found.vehicle}"

    def draw() -> Figure:
        figure = sheet(6.6, headed, f"{pen.day(first_ms)} to {pen.day(last_ms)}")
        heat, life = figure.subplots(
            2, 1, sharex=True, gridspec_kw={"height_ratios": (2.2, 1.2)}
        )
        _ranges(heat, found, pen.units)
        _marks(heat, found, first_ms, last_ms)
        kept = found.course.kept[found.course.kept["time_ms"] > 0]
        life.plot(_days(kept["time_ms"]), kept["life_used"], color=BLUE, linewidth=1.8)
        life.yaxis.set_major_formatter(PercentFormatter(1.0, decimals=0, symbol="%"))
        life.set_ylabel("Life used")
        life.set_ylim(bottom=0.0)
        quiet(life)
        _time_axis(life, pen.units, first_ms, last_ms)
        return figure

    words = (
        f"Fluid of {found.vehicle} from {pen.day(first_ms)} to {pen.day(last_ms)}: hottest "
        f"{pen.degrees(float(found.readings.fluid_c.max()))}; life used at the end "
        f"{pen.life(found.account.life_used)}."
    )
    return Picture(name="life", title=headed, words=words, draw=draw)


def _ranges(axes: Axes, found: Dossier, units: Units) -> None:
    course = found.course
    rows = list(_by_day(course.hour_ms, course.low_c, course.mean_c, course.high_c))
    days, low, mean, high = (np.array(column) for column in zip(*rows, strict=True))
    axes.vlines(days, _in(low, units), _in(high, units), color=BLUE, linewidth=1.4)
    axes.plot(days, _in(mean, units), ".", color=INK, markersize=2.5)
    axes.axhline(degrees(found.limits.limit_c, units), color=RED, linestyle="--", linewidth=1.1)
    axes.set_ylabel(f"Fluid, each day's\nrange and mean [°{units.temperature}]")
    quiet(axes)


def _by_day(
    hour_ms: NDArray[np.int64], low: NDArray[Any], mean: NDArray[Any], high: NDArray[Any]
) -> Iterator[tuple[float, float, float, float]]:
    days = hour_ms // DAY_MS
    starts = np.flatnonzero(np.diff(days, prepend=-1))
    for start, end in zip(starts, np.append(starts[1:], len(days)), strict=True):
        span = slice(int(start), int(end))
        middle = float(days[start]) + 0.5
        yield middle, float(low[span].min()), float(mean[span].mean()), float(high[span].max())


def _bins(found: Dossier, pen: Pen) -> Picture:
    ageing = found.basis.ageing.view(np.recarray)[0]
    bins_s = np.asarray(found.account.bins)
    title = f"Time at temperature: {found.vehicle}"

    def pace(celsius: float) -> float:
        return float(rate(ageing, celsius))

    return Picture(
        name="bins",
        title=title,
        words=bins_words(bins_s, pen.units, pace),
        draw=lambda: bins_figure(bins_s, pen.units, pace=pace, title=title)[0],
    )


def _said(found: Dossier, pen: Pen, first_ms: int, last_ms: int) -> str:
    """Say in words what a picture of some hours or days shows."""
    within = (found.readings.time_ms >= first_ms) & (found.readings.time_ms <= last_ms)
    fluid = found.readings.fluid_c[within]
    parts = [f"{found.vehicle} from {pen.moment(first_ms)} to {pen.moment(last_ms)}:"]
    if len(fluid):
        parts.append(
            f"fluid between {pen.degrees(float(fluid.min()))} and {pen.degrees(float(fluid.max()))};"
        )
    notes = _within(found.course.close, first_ms, last_ms)
    expected = notes["expected_c"][np.isfinite(notes["expected_c"])]
    if len(expected):
        parts.append(f"a healthy circuit at most {pen.degrees(float(expected.max()))};")
    share = notes["share"][np.isfinite(notes["share"])]
    if len(share):
        parts.append(f"the cooler at the end {100 * float(share[-1]):.0f}% of its own;")
    left = found.departure
    if left is not None and first_ms <= left.left_ms <= last_ms:
        parts.append(f"left its healthy behaviour at {pen.moment(left.left_ms)}.")
    return " ".join(parts).rstrip(";") + ("" if parts[-1].endswith(".") else ".")


def _time_axis(axes: Axes, units: Units, first_ms: int, last_ms: int) -> None:
    axes.set_xlim(first_ms / DAY_MS, last_ms / DAY_MS)
    locator = AutoDateLocator(tz=units.zone, minticks=4, maxticks=9)  # type: ignore[no-untyped-call] # theirs
    axes.xaxis.set_major_locator(locator)
    formatter = ConciseDateFormatter(locator, tz=units.zone)  # type: ignore[no-untyped-call] # theirs
    axes.xaxis.set_major_formatter(formatter)


def _within(notes: NDArray[Any], first_ms: int, last_ms: int) -> NDArray[Any]:
    return notes[(notes["time_ms"] >= first_ms) & (notes["time_ms"] <= last_ms)]


def _broken(time_ms: NDArray[np.int64], *columns: NDArray[Any]) -> Sequence[NDArray[Any]]:
    """Break lines where nothing was noted for long."""
    holes = np.flatnonzero(np.diff(time_ms) > GAP_MS) + 1
    times = np.insert(time_ms, holes, time_ms[holes - 1] + 1)
    return [times, *(np.insert(np.asarray(each, float), holes, math.nan) for each in columns)]


def _in(celsius: NDArray[np.float64], units: Units) -> NDArray[np.float64]:
    return celsius * 1.8 + 32.0 if units.temperature == "F" else celsius


def _days(time_ms: NDArray[np.int64]) -> NDArray[np.float64]:
    return np.asarray(time_ms, dtype=np.float64) / DAY_MS
