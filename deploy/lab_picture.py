"""The picture of a laboratory sample: what was thought before, what it said, what is thought now."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator, PercentFormatter

from models.lab import Band, LabUpdate
from models.lab_words import said
from models.readings import Normal
from review.pictures.looks import (
    BLUE,
    FAINT,
    INK,
    PURPLE,
    RED,
    SOFT,
    drawing,
    quiet,
    save,
    sheet,
)

_ITEMS = (
    ("#b86e00", (0, (5, 2))),
    ("#1d7a4f", (0, (6, 2, 1, 2))),
    (PURPLE, (0, (1, 1.4))),
    (INK, (0, (4, 1.5, 1, 1.5, 1, 1.5))),
)
_NOTHING = (
    "No heat has been counted on this fill yet: the sample has nothing to be weighed with"
)
_SDS = 3.2
_TICKS = (0.1, 0.15, 0.2, 0.3, 0.5, 0.7, 1.0, 1.5, 2.0, 3.0, 5.0, 7.0, 10.0)


def draw_lab_update(update: LabUpdate, path: Path, *, title: str = "Laboratory sample") -> str:
    """Draw how a sample was weighed with the account.

    Parameters
    ----------
    update
        As ``models.lab.lab_update`` gives it.
    path
        A name that ends in ``.svg`` or ``.png``.
    title
        Heads the picture.

    Returns
    -------
    str
        What the picture shows, in words; the file holds it too.

    Raises
    ------
    review.problems.Mistake
        The name ends otherwise.
    OSError
        The file cannot be written.
    """
    described = " ".join(said(update))
    weighed = (
        f"Life used {_band(update.life_before)} before the sample, "
        f"{_band(update.life_after)} with it (80 % bands)"
    )
    if update.doubtful:
        title = f"{title}: does not fit the account"
    with drawing():
        figure = sheet(6.4, title, weighed if update.observations else _NOTHING)
        above, below = figure.subplots(2, 1, height_ratios=(3.4, 1.0))
        _paces(above, update)
        _lives(below, update)
        save(figure, path, title, described)
    return described


def _paces(axes: Axes, update: LabUpdate) -> None:
    low, high = _reach(update)
    axes.set_xscale("log")
    axes.set_xlim(math.exp(low), math.exp(high))
    _curve(axes, update.prior, color=SOFT, linewidth=1.6, label="before the sample")
    for one, (colour, dash) in zip(update.observations, _ITEMS, strict=False):
        _curve(axes, one.weighed, color=colour, linestyle=dash, label=one.name)
    if update.observations:
        _curve(axes, update.posterior, color=BLUE, linewidth=3.0, label="with the sample")
        axes.fill_between(*axes.lines[-1].get_data(), color=BLUE, alpha=0.18, linewidth=0.0)
    axes.axvline(1.0, color=FAINT, linewidth=1.4, zorder=0.5)
    axes.set_ylim(bottom=0.0)
    axes.set_yticks([])
    axes.set_ylabel("How likely")
    axes.set_xlabel("How fast this fluid ages, as a multiple of its chart")
    axes.xaxis.set_major_locator(FixedLocator(_TICKS))
    axes.xaxis.set_major_formatter(lambda pace, _place: f"{pace:g}×")
    axes.minorticks_off()
    axes.legend(loc="lower left", bbox_to_anchor=(-0.01, 1.01), ncols=3, borderaxespad=0.0)


def _reach(update: LabUpdate) -> tuple[float, float]:
    """Give the ends of what is to be seen, on the scale of ln."""
    told = [update.prior, update.posterior]
    return (
        min(one.mean - _SDS * one.sd for one in told),
        max(one.mean + _SDS * one.sd for one in told),
    )


def _curve(axes: Axes, normal: Normal, **look: Any) -> None:
    """Draw a density over the whole plot; its area on the scale of ln is one."""
    low, high = np.log(axes.get_xlim())
    scales = np.linspace(low, high, 601)
    density = np.exp(-0.5 * ((scales - normal.mean) / normal.sd) ** 2) / normal.sd
    axes.plot(np.exp(scales), density, **{"linewidth": 2.0, **look})


def _lives(axes: Axes, update: LabUpdate) -> None:
    rows = [("before the sample", update.life_before, SOFT)]
    if update.observations:
        rows.insert(0, ("with the sample", update.life_after, BLUE))
    for place, (_, life, colour) in enumerate(rows):
        axes.plot(
            [life.low, life.high],
            [place, place],
            color=colour,
            linewidth=9.0,
            alpha=0.35,
            solid_capstyle="butt",
        )
        axes.plot(life.best, place, "o", color=colour, markersize=9.0)
    for level, dash in ((0.8, ":"), (0.95, "--"), (1.0, "-")):
        axes.axvline(level, color=RED, linestyle=dash, linewidth=1.2)
    axes.set_yticks(range(len(rows)), [name for name, _, _ in rows])
    axes.set_ylim(-0.6, len(rows) - 0.4)
    farthest = max(update.life_before.high, update.life_after.high)
    axes.set_xlim(0.0, max(1.12, 1.05 * farthest))
    axes.xaxis.set_major_formatter(PercentFormatter(1.0, decimals=0, symbol=" %"))
    axes.set_xlabel("Life used, 80 % band (80, 95 and 100 % are lines)", color=INK)
    quiet(axes, "x")


def _band(life: Band) -> str:
    return f"{life.best:.0%} ({life.low:.0%} to {life.high:.0%})".replace("%", " %")
