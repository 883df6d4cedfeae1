"""Text as a text message carries it: the 7-bit alphabet of GSM 03.38.

One sign outside of it turns the whole message into another coding, with 70 signs instead of 160. The degree
sign is one such. The tables are from memory and agree with those of the package gsm0338 1.1.0.
"""

from __future__ import annotations

import unicodedata

BASIC = frozenset(
    "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?"
    "¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿abcdefghijklmnopqrstuvwxyzäöñüà"
)
"""Signs of one septet."""

EXTENDED = frozenset("\f^{}\\[~]|€")
"""Signs of two septets."""

_SPELT = str.maketrans(
    {
        "°": "",
        "–": "-",
        "—": "-",
        "−": "-",
        "‑": "-",
        "…": "...",
        "’": "'",
        "‘": "'",
        "“": '"',
        "”": '"',
        "·": ".",
        "×": "x",
        "≥": ">=",
        "≤": "<=",
        "\u00a0": " ",
        "\u202f": " ",
    }
)


def spelt(text: str) -> str:
    """Write a text with the signs of the alphabet; one that has no likeness there becomes "?"."""
    return "".join(_likeness(sign) for sign in text.translate(_SPELT))


def septets(text: str) -> int:
    """Count what a text takes of a message; every sign must be of the alphabet."""
    return sum(1 if sign in BASIC else 2 for sign in text)


def _likeness(sign: str) -> str:
    if sign in BASIC or sign in EXTENDED:
        return sign
    bare = "".join(
        part for part in unicodedata.normalize("NFKD", sign) if not unicodedata.combining(part)
    )
    return bare if bare and all(part in BASIC for part in bare) else "?"
