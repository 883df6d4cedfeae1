"""The pictures of a week: life used truck by truck, and how hot each day was; to be read on a phone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from io import BytesIO
from textwrap import shorten

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.ticker import PercentFormatter

from alerts.notice import Picture
from alerts.phrases import plain
from deploy.truck_week import TruckWeek
from deploy.week import Week
from models.units import Units
from review.pictures.looks import BLUE, FAINT, INK, ORANGE, RED, degrees, drawing, quiet

MOST = 12
"""So many trucks stand in a picture; the table has all."""

WIDTH_IN, DPI = 4.2, 200
"""840 pixels across, shown at half of that on a phone."""

_WARM_K = 10.0
"""How far below its limit a day is drawn as warm [K]."""


def pictures(found: Week, units: Units, names: Mapping[str, str]) -> list[Picture]:
    """Draw a week; no truck, no picture."""
    trucks = found.trucks
    if not trucks:
        return []
    most_used = sorted(trucks, key=lambda each: (-each.life_used, each.name))[:MOST]
    drawn = [_life(most_used, names, len(trucks))]
    measured = [each for each in trucks if each.peaks_c]
    if measured:
        hottest = sorted(measured, key=lambda each: (-_over_k(each), each.name))[:MOST]
        drawn.append(_days(hottest, _dates(found, units), units, names, len(measured)))
    return drawn


def _life(trucks: Sequence[TruckWeek], names: Mapping[str, str], count: int) -> Picture:
    title = "Life used, and what this week added"
    with drawing():
        figure = _figure(len(trucks), 0.3)
        axes = figure.subplots()
        for place, truck in enumerate(trucks):
            gained = min(truck.life_gained or 0.0, truck.life_used)
            before = truck.life_used - gained
            axes.barh(place, before, color=BLUE, height=0.6)
            axes.barh(
                place,
                gained,
                left=before,
                color=ORANGE,
                hatch="////",
                edgecolor=INK,
                height=0.6,
            )
            axes.annotate(
                f" {truck.life_used:.0%}", (truck.life_used, place), va="center", size=8.0
            )
        axes.axvline(1.0, color=RED, linewidth=1.2)
        axes.set_yticks(range(len(trucks)), [_called(each, names) for each in trucks], size=8.0)
        axes.set_ylim(len(trucks) - 0.4, -0.6)
        axes.set_xlim(0.0, max(1.12, 1.15 * trucks[0].life_used))
        axes.xaxis.set_major_formatter(PercentFormatter(1.0, decimals=0, symbol=" %"))
        axes.tick_params(axis="x", labelsize=8.0)
        quiet(axes, "x")
        _head(figure, title, f"striped: this week; red line: due{_of(len(trucks), count)}")
        png = _png(figure)
    told = "; ".join(
        f"{plain(each.name)} {each.life_used:.0%}"
        + ("" if each.life_gained is None else f", {each.life_gained:.1%} of it this week")
        for each in trucks
    )
    return Picture(name="life", png=png, alt=f"{title}: {told}.")


def _dates(found: Week, units: Units) -> list[date]:
    """Give the days of a span by the reader's calendar."""
    first, last = (
        datetime.fromtimestamp(time_ms / 1000, units.zone).date()
        for time_ms in (found.since_ms, found.until_ms - 1)
    )
    return [first + timedelta(days=nth) for nth in range((last - first).days + 1)]


def _days(
    trucks: Sequence[TruckWeek],
    days: Sequence[date],
    units: Units,
    names: Mapping[str, str],
    count: int,
) -> Picture:
    title = f"Hottest fluid of each day, °{units.temperature}"
    with drawing():
        figure = _figure(len(trucks), 0.3)
        axes = figure.subplots()
        for place, truck in enumerate(trucks):
            for day, peak_c in truck.peaks_c:
                if day in days:
                    _cell(axes, days.index(day), place, peak_c, truck.limit_c, units)
        axes.set_xlim(-0.5, len(days) - 0.5)
        axes.set_ylim(len(trucks) - 0.5, -0.5)
        axes.set_xticks(range(len(days)), [_weekday(day) for day in days], size=8.0)
        axes.xaxis.tick_top()
        axes.set_yticks(range(len(trucks)), [_called(each, names) for each in trucks], size=8.0)
        axes.spines[:].set_visible(False)
        axes.tick_params(length=0)
        note = "red, framed: above the truck's limit; orange: near it"
        _head(figure, title, f"{note}{_of(len(trucks), count)}")
        png = _png(figure)
    told = "; ".join(
        f"{plain(each.name)} at most {units.degrees(_peak(each))}, limit {units.degrees(each.limit_c)}"
        for each in trucks
    )
    return Picture(name="days", png=png, alt=f"{title}: {told}.")


def _cell(
    axes: Axes, column: int, place: int, peak_c: float, limit_c: float, units: Units
) -> None:
    over = peak_c > limit_c
    near = not over and peak_c > limit_c - _WARM_K
    ground = RED if over else ORANGE if near else FAINT
    axes.add_patch(
        Rectangle(
            (column - 0.46, place - 0.42),
            0.92,
            0.84,
            facecolor=ground,
            edgecolor=INK if over else "none",
            linewidth=1.4,
        )
    )
    axes.annotate(
        f"{degrees(peak_c, units):.0f}",
        (column, place),
        ha="center",
        va="center",
        size=8.0,
        weight="bold" if over else "normal",
        color="white" if over else INK,
    )


def _figure(rows: int, row_in: float) -> Figure:
    figure = Figure(figsize=(WIDTH_IN, 1.15 + row_in * rows), dpi=DPI, layout="constrained")
    top_in = 0.52
    height_in = 1.15 + row_in * rows
    figure.get_layout_engine().set(rect=(0.01, 0.01, 0.98, 0.98 - top_in / height_in))  # type: ignore[union-attr, call-arg] # constrained: just asked for
    return figure


def _head(figure: Figure, title: str, note: str) -> None:
    height_in = figure.get_size_inches()[1]
    for text, below_in, size, weight in (
        (title, 0.08, 10.0, "bold"),
        (note, 0.3, 8.0, "normal"),
    ):
        figure.text(
            0.02,
            1.0 - below_in / height_in,
            text,
            size=size,
            weight=weight,
            va="top",
            color=INK,
        )


def _png(figure: Figure) -> bytes:
    buffer = BytesIO()
    figure.savefig(buffer, format="png", metadata={"Software": None})
    return buffer.getvalue()


def _peak(truck: TruckWeek) -> float:
    return max(peak_c for _, peak_c in truck.peaks_c)


def _over_k(truck: TruckWeek) -> float:
    return _peak(truck) - truck.limit_c


def _called(truck: TruckWeek, names: Mapping[str, str]) -> str:
    name = plain(names.get(truck.name, ""))
    code = plain(truck.name)
    return code if name in ("", code) else f"{code} {shorten(name, 15, placeholder=' …')}"


def _weekday(day: date) -> str:
    return ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")[day.weekday()]


def _of(shown: int, count: int) -> str:
    return "" if shown == count else f"; {shown} of {count} trucks"
