"""What all our pictures share: size, colours, and a file that says in words what it shows."""

from __future__ import annotations

import html
import re
import textwrap
import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from io import BytesIO
from pathlib import Path
from typing import Any

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from models.units import Units
from review.pictures.file_names import drawable
from review.plain_text import harmless

WIDTH_IN, DPI = 10.0, 100
"""A picture is 1000 pixels wide."""

INK, SOFT, FAINT = "#1f2328", "#57606a", "#d0d7de"
BLUE, ORANGE, RED, GREEN, PURPLE = "#0060a8", "#e69f00", "#b83200", "#3a9d6e", "#9a5fa0"
"""Colours that the colour-blind tell apart; each comes with a dash, a hatch or a word of its own, so
that nothing rests on colour alone."""

_STYLE: dict[Any, Any] = {
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 11.0,
    "text.color": INK,
    "axes.labelcolor": INK,
    "axes.edgecolor": SOFT,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    "xtick.color": SOFT,
    "ytick.color": SOFT,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "hatch.linewidth": 0.6,
    "legend.frameon": False,
    "legend.fontsize": 10.0,
    "figure.facecolor": "white",
    "text.parse_math": False,  # a dollar sign in somebody's note is one
    "svg.fonttype": "none",  # letters stay letters: they can be searched and read aloud
    "svg.hashsalt": "heatbook",  # one picture, one file, byte for byte
}


_ONE_AT_A_TIME = threading.RLock()
"""The library keeps looks and letters for the whole process: two threads would draw into each other's."""


@contextmanager
def drawing() -> Iterator[None]:
    """Draw in our looks; another thread waits until this picture is done."""
    with _ONE_AT_A_TIME, mpl.rc_context(_STYLE):
        yield


def sheet(height_in: float, title: str, subtitle: str) -> Figure:
    """Begin a picture of a height [in], headed by its title and, below it, what it comes to."""
    figure = Figure(figsize=(WIDTH_IN, height_in), dpi=DPI, layout="constrained")
    figure.get_layout_engine().set(rect=(0.01, 0.01, 0.98, 0.98 - 0.72 / height_in))  # type: ignore[union-attr, call-arg] # constrained: just asked for
    for text, longest, below_in, size, weight, colour in (
        (title, 70, 0.15, 15.0, "bold", INK),
        (subtitle, 115, 0.46, 11.0, "normal", SOFT),
    ):
        figure.text(
            0.012,
            1.0 - below_in / height_in,
            textwrap.shorten(harmless(text), longest, placeholder=" …"),
            size=size,
            weight=weight,
            color=colour,
            va="top",
        )
    return figure


def quiet(axes: Axes, axis: str = "y") -> None:
    """Take from a plot's frame what does not help reading it."""
    axes.grid(axis=axis, color=FAINT, linewidth=0.8)  # type: ignore[arg-type] # x, y or both
    axes.tick_params(length=0)


def degrees(celsius: float, units: Units) -> float:
    """Turn a temperature [°C] into a number in the fleet's unit."""
    return celsius * 1.8 + 32.0 if units.temperature == "F" else celsius


def save(figure: Figure, path: Path, title: str, description: str) -> None:
    """Write a picture as the end of its name says; in it stands what it shows, for who cannot see it.

    Raises
    ------
    review.problems.Mistake
        The name ends in neither ``.svg`` nor ``.png``.
    OSError
        The file cannot be written.
    """
    title, description = harmless(title), harmless(description)
    drawable(path)
    if path.suffix.lower() == ".svg":
        path.write_text(svg(figure, title, description), encoding="utf-8")
    else:
        told = {"Title": title, "Description": description, "Software": None}
        path.write_bytes(rendered(figure, "png", told))


def svg(figure: Figure, title: str, description: str) -> str:
    """Give a picture as SVG; in it stands what it shows, for who cannot see it."""
    text = rendered(figure, "svg", {"Date": None}).decode()
    head = (
        f'<title id="title">{html.escape(title)}</title>'
        f'<desc id="desc">{html.escape(description)}</desc>'
    )
    named = ' role="img" aria-labelledby="title desc">'
    return re.sub(r"(<svg\b[^>]*)>", lambda tag: f"{tag[1]}{named}{head}", text, count=1)


def rendered(
    figure: Figure, kind: str, metadata: dict[str, str | None], dpi: int | None = None
) -> bytes:
    """Give a picture as the bytes of a file, ``svg`` or ``png``; ``dpi`` other than its own for print."""
    buffer = BytesIO()
    with warnings.catch_warnings():
        # Letters that our font has not are drawn as boxes, and in an SVG by the reader's own.
        warnings.filterwarnings("ignore", r"Glyph \d+ .* missing from font")
        figure.savefig(buffer, format=kind, metadata=metadata, dpi=dpi or "figure")
    return buffer.getvalue()
