"""The strokes of a circuit drawing: pipes, boxes, valves, words. Pure.

Nothing rests on colour: how much flows is in the width of a pipe, its dashes, its arrowheads and a word.
"""

from __future__ import annotations

from enum import Enum

from markupsafe import escape


class Flow(Enum):
    """How much goes through a pipe, by the estimate."""

    ALL = "all"
    SOME = "some"
    HARDLY = "hardly"
    UNSURE = "unsure"


Point = tuple[float, float]


class Pen:
    """Gathers what is drawn; coordinates are of a drawing 360 wide."""

    def __init__(self) -> None:
        self.parts: list[str] = []

    def pipe(self, *points: Point, flow: Flow = Flow.ALL, what: str = "hot") -> None:
        """Draw a pipe along some points, an arrowhead at its end; ``what`` is hot, back or coolant."""
        way = "M" + "L".join(f"{x:g} {y:g}" for x, y in points)
        self.parts.append(f'<path class="sc-pipe sc-{what} sc-{flow.value}" d="{way}"/>')
        if flow is not Flow.HARDLY:
            self._arrow(points[-2], points[-1], what)

    def box(self, x: float, y: float, width: float, height: float, *, kind: str) -> None:
        """Draw a part of the circuit."""
        self.parts.append(
            f'<rect class="sc-box sc-{kind}" x="{x:g}" y="{y:g}" width="{width:g}" '
            f'height="{height:g}" rx="4"/>'
        )

    def line(self, way: str, kind: str = "thin") -> None:
        """Draw a line of a part, by its path."""
        self.parts.append(f'<path class="sc-{kind}" d="{way}"/>')

    def valve(self, at: Point, word: str, *, straight: bool) -> None:
        """Draw a valve: its lever lies along the way to the sink where it is open, across it where shut.

        ``straight``: that way goes on across; else down.
        """
        x, y = at
        slant = {"open": 0.0, "partly": 0.5, "shut": 1.0}.get(word, 0.5)
        across, down = (1.0 - slant, slant) if straight else (slant, 1.0 - slant)
        long = 11.0 / max(0.01, (across * across + down * down) ** 0.5)
        dx, dy = across * long, down * long
        self.parts.append(f'<circle class="sc-valve" cx="{x:g}" cy="{y:g}" r="16"/>')
        self.parts.append(
            f'<path class="sc-lever" d="M{x - dx:.1f} {y - dy:.1f}L{x + dx:.1f} {y + dy:.1f}"/>'
        )

    def dot(self, at: Point) -> None:
        """Mark where the fluid's sensor sits."""
        self.parts.append(f'<circle class="sc-dot" cx="{at[0]:g}" cy="{at[1]:g}" r="5"/>')

    def flag(self, at: Point) -> None:
        """Mark where a fault is suspected: a triangle with an exclamation mark."""
        x, y = at
        self.parts.append(
            f'<path class="sc-flag" d="M{x:g} {y - 13:g}L{x + 13:g} {y + 10:g}H{x - 13:g}Z"/>'
            f'<path class="sc-flag-mark" d="M{x:g} {y - 5:g}V{y + 2:g}M{x:g} {y + 5:g}V{y + 7:g}"/>'
        )

    def say(self, at: Point, text: str, *, anchor: str = "start", strong: bool = False) -> None:
        """Write a word."""
        kind = "sc-word sc-strong" if strong else "sc-word"
        self.parts.append(
            f'<text class="{kind}" x="{at[0]:g}" y="{at[1]:g}" text-anchor="{anchor}">'
            f"{escape(text)}</text>"
        )

    def _arrow(self, before: Point, end: Point, what: str) -> None:
        (x0, y0), (x1, y1) = before, end
        long = ((x1 - x0) ** 2 + (y1 - y0) ** 2) ** 0.5 or 1.0
        ux, uy = (x1 - x0) / long, (y1 - y0) / long
        left, right = (
            (x1 - 11 * ux + 7 * uy, y1 - 11 * uy - 7 * ux),
            (
                x1 - 11 * ux - 7 * uy,
                y1 - 11 * uy + 7 * ux,
            ),
        )
        self.parts.append(
            f'<path class="sc-head sc-{what}" d="M{x1:g} {y1:g}L{left[0]:.1f} {left[1]:.1f}'
            f'L{right[0]:.1f} {right[1]:.1f}Z"/>'
        )
