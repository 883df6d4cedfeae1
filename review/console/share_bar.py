"""A share of something as a bar, with the band it lies in: inline SVG, pure. The figure stands beside it."""

from __future__ import annotations

import math

from markupsafe import Markup

WIDTH, HEIGHT = 240, 22


def share_bar(share: float, low: float | None = None, high: float | None = None) -> Markup:
    """Draw a share [-] on a way from nothing to a little beyond 1, where it is marked; empty if not known.

    ``low`` and ``high``: the ends of the band it lies in, drawn as a bracket.
    """
    if not math.isfinite(share):
        return Markup()
    end = max(1.15, share * 1.05, (high or 0.0) * 1.05)

    def at(value: float) -> float:
        return round(WIDTH * min(1.0, max(0.0, value / end)), 1)

    now, due = at(share), at(1.0)
    parts = [
        f'<path class="sb-way" d="M0 11H{WIDTH}"/>',
        f'<rect class="sb-now" x="0" y="8" width="{min(now, due)}" height="6"/>',
    ]
    if share > 1.0:
        parts.append(
            f'<rect class="sb-over" x="{due}" y="5" width="{max(2.0, now - due)}" height="12"/>'
        )
    if low is not None and high is not None:
        left, right = at(low), at(high)
        parts.append(f'<path class="sb-band" d="M{left} 3V7M{left} 5H{right}M{right} 3V7"/>')
    parts.append(f'<path class="sb-due" d="M{due} 2V20"/>')
    return Markup(  # noqa: S704 - numbers of our own
        f'<svg class="sb" viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" height="{HEIGHT}" '
        f'aria-hidden="true" focusable="false">{"".join(parts)}</svg>'
    )
