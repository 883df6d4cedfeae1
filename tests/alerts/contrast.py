"""How well an ink can be read on a ground, by WCAG 2: relative luminance and contrast ratio."""

from __future__ import annotations

Rgb = tuple[int, int, int]

ENOUGH = 4.5
"""Success criterion 1.4.3 (level AA), for text of any size."""


def rgb(colour: str) -> Rgb:
    """Read ``#rrggbb``."""
    red, green, blue = (int(colour[at : at + 2], 16) for at in (1, 3, 5))
    return red, green, blue


def contrast(ink: Rgb, ground: Rgb) -> float:
    """Give the contrast ratio (WCAG 2.2, definition "contrast ratio"), 1 to 21."""
    light, dark = sorted((_luminance(ink), _luminance(ground)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def _luminance(colour: Rgb) -> float:
    """Give the relative luminance (WCAG 2.2, definition "relative luminance")."""
    red, green, blue = (
        value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4
        for value in (channel / 255 for channel in colour)
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue
