"""The picture of time at temperature: where a fluid spent its hours, and where its life."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from models.cold_running import WORKING_C
from models.histogram import BINS, FIRST_C, WIDTH_K, Bins
from models.units import Units
from review.pictures.looks import (
    BLUE,
    FAINT,
    GREEN,
    INK,
    ORANGE,
    RED,
    SOFT,
    degrees,
    drawing,
    quiet,
    save,
    sheet,
)
from review.problems import Mistake


class Zone(NamedTuple):
    """Temperatures [°C] that people have a name for, and how their bars look."""

    name: str
    low_c: float
    high_c: float
    colour: str
    hatch: str


def _from_f(fahrenheit: float) -> float:
    return (fahrenheit - 32.0) / 1.8


_END_C = FIRST_C + BINS * WIDTH_K

ZONES = (
    Zone("cold", FIRST_C, WORKING_C, BLUE, "//"),
    Zone("warm", WORKING_C, _from_f(175.0), SOFT, ""),
    Zone("best life", _from_f(175.0), _from_f(200.0), GREEN, ""),
    Zone("warmer", _from_f(200.0), _from_f(225.0), SOFT, ""),
    Zone("hot", _from_f(225.0), _from_f(250.0), ORANGE, ".."),
    Zone("too hot", _from_f(250.0), _END_C, RED, "xx"),
)
"""Best life 175 to 200 °F, damage from 225 °F, no sustained running above 250 °F: trade pages, no primary
source. Cold: own choice, see ``models.cold_running``."""

_SAID = "Named ranges are rules of the trade without a primary source; the end of cold is our choice."
_LEAST_C = (40.0, 130.0)
_MIDDLES_C = FIRST_C + WIDTH_K * (np.arange(BINS) + 0.5)


def draw_bins(
    bins_s: Bins,
    path: Path,
    units: Units,
    *,
    pace: Callable[[float], float] | None = None,
    title: str = "Time at temperature",
) -> str:
    """Draw time at temperature.

    Parameters
    ----------
    bins_s
        Seconds in each bin [s], shape (BINS,), as ``models.histogram`` keeps them.
    path
        A name that ends in ``.svg`` or ``.png``.
    units
        In which temperatures are written.
    pace
        How fast the fluid ages at a temperature [°C], in any unit; with it, a second plot shows
        in which bins the fluid's life went.
    title
        Heads the picture.

    Returns
    -------
    str
        What the picture shows, in words; the file holds it too.

    Raises
    ------
    review.problems.Mistake
        No time was seen, or the name ends otherwise.
    OSError
        The file cannot be written.
    """
    figure, described = bins_figure(bins_s, units, pace=pace, title=title)
    with drawing():
        save(figure, path, title, described)
    return described


def bins_figure(
    bins_s: Bins,
    units: Units,
    *,
    pace: Callable[[float], float] | None = None,
    title: str = "Time at temperature",
) -> tuple[Figure, str]:
    """Give the picture and what it shows, as ``draw_bins`` writes them."""
    hours, aged = _amounts(bins_s, pace)
    described = _description(hours, aged, units)
    with drawing():
        figure = sheet(5.2 if aged is None else 7.2, title, _summary(hours, aged, units))
        plots = figure.subplots(1 if aged is None else 2, 1, sharex=True, squeeze=False)[:, 0]
        _bars(plots[0], hours, units)
        plots[0].set_ylabel("Time seen [h]")
        _names(plots[0], hours, units)
        if aged is not None:
            _bars(plots[1], aged, units)
            plots[1].set_ylabel("Share of the ageing")
            plots[1].yaxis.set_major_formatter(lambda share, _: f"{100.0 * share:g} %")
        _range(plots[-1], hours, units)
    return figure, described


def bins_words(bins_s: Bins, units: Units, pace: Callable[[float], float] | None = None) -> str:
    """Say what the picture shows, without drawing it."""
    return _description(*_amounts(bins_s, pace), units)


def _amounts(
    bins_s: Bins, pace: Callable[[float], float] | None
) -> tuple[NDArray[np.float64], NDArray[np.float64] | None]:
    """Give hours [h] in each bin and, with a pace, the share of the ageing there [-]."""
    hours = np.asarray(bins_s, dtype=np.float64) / 3600.0
    if not hours.sum() > 0.0:
        raise Mistake(
            "there is nothing to draw yet: no temperature of this fluid has been seen"
        )
    if pace is None:
        return hours, None
    aged = hours * [pace(float(celsius)) for celsius in _MIDDLES_C]
    return hours, aged / aged.sum()


def _bars(axes: Axes, heights: NDArray[np.float64], units: Units) -> None:
    scale = degrees(1.0, units) - degrees(0.0, units)
    for zone in ZONES:
        inside = (zone.low_c <= _MIDDLES_C) & (zone.high_c > _MIDDLES_C) & (heights > 0.0)
        axes.bar(
            [degrees(celsius, units) for celsius in _MIDDLES_C[inside]],
            heights[inside],
            width=0.92 * WIDTH_K * scale,
            facecolor=zone.colour,
            edgecolor="white",
            linewidth=0.0,
            hatch=zone.hatch,
        )
        if zone.low_c > FIRST_C:
            axes.axvline(degrees(zone.low_c, units), color=FAINT, linewidth=1.0, zorder=0.5)
    quiet(axes)


def _names(axes: Axes, hours: NDArray[np.float64], units: Units) -> None:
    """Write above the bars what people call these temperatures, and the share of the time there."""
    axes.set_ylim(0.0, 1.3 * float(hours.max()))
    low_c, high_c = _ends_c(hours)
    for zone, share in zip(ZONES, _shares(hours), strict=True):
        middle_c = 0.5 * (max(zone.low_c, low_c) + min(zone.high_c, high_c))
        name = "" if zone.name in ("warm", "warmer") else f"{zone.name}\n"
        axes.annotate(
            f"{name}{_percent(share)}",
            (degrees(middle_c, units), 0.985),
            xycoords=("data", "axes fraction"),
            ha="center",
            va="top",
            size=10.0,
            color=INK,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0},
        )


def _range(axes: Axes, hours: NDArray[np.float64], units: Units) -> None:
    low_c, high_c = _ends_c(hours)
    axes.set_xlim(degrees(low_c, units), degrees(high_c, units))
    axes.xaxis.set_major_locator(MaxNLocator(nbins=12, steps=[1, 2, 5, 10]))
    unit = f"°{units.temperature}"
    width = degrees(WIDTH_K, units) - degrees(0.0, units)
    axes.set_xlabel(f"Fluid temperature [{unit}], in bars of {width:g} {unit}\n{_SAID}")


def _ends_c(hours: NDArray[np.float64]) -> tuple[float, float]:
    """Give the ends of what is to be seen [°C]: what there is, and a usual range."""
    seen_c = _MIDDLES_C[hours > 0.0]
    return (
        min(_LEAST_C[0], float(seen_c[0]) - 1.5 * WIDTH_K),
        max(_LEAST_C[1], float(seen_c[-1]) + 1.5 * WIDTH_K),
    )


def _shares(amounts: NDArray[np.float64]) -> list[float]:
    """Give the share of each zone [-]; of a bin that a zone ends in, the part inside."""
    edges_c = FIRST_C + WIDTH_K * np.arange(BINS + 1)
    summed = np.concatenate([[0.0], np.cumsum(amounts)]) / amounts.sum()
    below = [float(np.interp(zone.high_c, edges_c, summed)) for zone in ZONES]
    return [high - low for low, high in zip([0.0, *below], below, strict=False)]


def _summary(hours: NDArray[np.float64], aged: NDArray[np.float64] | None, units: Units) -> str:
    seen_h = float(hours.sum())
    seen = f"{seen_h:,.0f}" if seen_h >= 10.0 else f"{seen_h:.2g}"
    text = f"{seen} h seen; {_percent(_shares(hours)[0])} below {units.degrees(WORKING_C)}"
    hot_c = ZONES[4].low_c
    hot = f"{_percent(sum(_shares(hours)[4:]))} above {units.degrees(hot_c)}"
    if aged is None:
        return f"{text}, {hot}"
    return f"{text}; {hot}, which is {_percent(sum(_shares(aged)[4:]))} of the ageing"


def _description(
    hours: NDArray[np.float64], aged: NDArray[np.float64] | None, units: Units
) -> str:
    lines = ["Time at temperature as bars."]
    lines.append(f"{_summary(hours, aged, units)}.")
    for place, zone in enumerate(ZONES):
        ends = f"{units.degrees(zone.low_c)} to {units.degrees(zone.high_c)}"
        if zone.low_c == FIRST_C:
            ends = f"below {units.degrees(zone.high_c)}"
        elif zone.high_c == _END_C:
            ends = f"from {units.degrees(zone.low_c)} on"
        text = (
            f"{zone.name.capitalize()}, {ends}: {_percent(_shares(hours)[place])} of the time"
        )
        if aged is not None:
            text += f", {_percent(_shares(aged)[place])} of the ageing"
        lines.append(f"{text}.")
    return " ".join(lines)


def _percent(share: float) -> str:
    return "<1 %" if 0.0 < share < 0.005 else f"{100.0 * share:.0f} %"
