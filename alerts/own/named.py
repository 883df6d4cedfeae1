"""Numbers of several things in one evidence: the name of the thing is part of the number's name. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from alerts.phrases import plain


def numbered(what: str, values: Mapping[str, float]) -> dict[str, float]:
    """Name each value by what it is and whose."""
    return {f"{what}.{name}": value for name, value in sorted(values.items())}


def by_name(what: str, evidence: Mapping[str, float]) -> dict[str, float]:
    """Give the values again, by whose they are."""
    lead = f"{what}."
    return {
        name.removeprefix(lead): value
        for name, value in sorted(evidence.items())
        if name.startswith(lead)
    }


def listed(names: Mapping[str, float] | list[str]) -> str:
    """Write names in a sentence: "a", "a and b", "a, b and c"."""
    # A colon is the only sign of a channel's name that text for people does not take.
    words = [plain(name.replace(":", " ")) for name in names]
    return (
        " and ".join([", ".join(words[:-1]), words[-1]]) if len(words) > 1 else "".join(words)
    )


def span(minutes: float) -> str:
    """Write a span as people say it."""
    if minutes < 120:
        return f"{minutes:.0f} min"
    return f"{minutes / 60:.0f} hours" if minutes < 2880 else f"{minutes / 1440:.0f} days"
