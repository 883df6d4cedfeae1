"""What the words of all alarms about Heatbook itself share."""

from __future__ import annotations

from models.words import Words

SURE = "Seen by Heatbook itself, on its own machine."


def own(
    *, title: str, observed: str, expected: str, doubts: str, action: str, at_once: str
) -> Words:
    """Give the words: there is no driver and no truck to warn of."""
    return Words(
        title=title,
        observed=observed,
        expected=expected,
        doubts=doubts,
        action=action,
        driver=(),
        technician=(),
        sure=SURE,
        at_once=at_once,
    )
