"""A small picture of the fluid's temperature between cold and too hot: inline SVG, pure.

A line from cold to beyond critical, with a mark where it becomes too hot and a taller one at critical; the
bar grows thick beyond the first: nothing rests on colour. The figure stands beside it in words.
"""

from __future__ import annotations

from markupsafe import Markup

from review.board_row import Limits

COLD_C = 20.0
BEYOND_K = 8.0
WIDTH, HEIGHT = 120, 20
_MIDDLE = HEIGHT / 2


def fluid_bar(
    fluid_c: float | None, limits: Limits | None, expected_c: float | None = None
) -> Markup:
    """Draw it; empty where the temperature is not known."""
    if fluid_c is None or limits is None:
        return Markup()
    end_c = limits.critical_c + BEYOND_K

    def at(celsius: float) -> float:
        return round(WIDTH * min(1.0, max(0.0, (celsius - COLD_C) / (end_c - COLD_C))), 1)

    limit, critical, now = at(limits.limit_c), at(limits.critical_c), at(fluid_c)
    parts = [
        f'<path class="fb-way" d="M0 {_MIDDLE}H{WIDTH}"/>',
        f'<rect class="fb-now" x="0" y="{_MIDDLE - 3}" width="{min(now, limit)}" height="6"/>',
    ]
    if now > limit:
        parts.append(
            f'<rect class="fb-hot" x="{limit}" y="{_MIDDLE - 6}" width="{max(2.0, now - limit)}" '
            'height="12"/>'
        )
    parts.append(f'<path class="fb-mark" d="M{limit} 4V16"/>')
    parts.append(f'<path class="fb-mark fb-most" d="M{critical} 1V19"/>')
    if expected_c is not None:
        at_c = at(expected_c)
        parts.append(f'<path class="fb-own" d="M{at_c} 7l3 -6h-6z"/>')
    drawn = "".join(parts)
    return Markup(  # noqa: S704 - numbers of our own
        f'<svg class="fb" viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" height="{HEIGHT}" '
        f'aria-hidden="true" focusable="false">{drawn}</svg>'
    )
