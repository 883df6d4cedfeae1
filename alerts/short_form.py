"""An alarm in one text message: which truck, what, what to do now; then what was seen, as far as it fits.

Nothing is cut inside: a sentence that does not fit is left out whole.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from alerts.gsm import septets, spelt
from models.words import Words

LENGTH = 160
"""Septets of one text message (GSM 03.38, from memory)."""

_SENTENCE = re.compile(r"(?<=[.!?])\s+(?=[A-Z])")


def short(
    head: str, code: str, name: str, said: Words, more: Sequence[str], *, act: bool
) -> str:
    """Write the short form.

    Parameters
    ----------
    head
        What the notice is: matter and priority.
    code, name
        The truck, and what people call it, said only where there is room.
    said
        The words of the condition.
    more
        Sentences that come after, the most telling first.
    act
        Whether somebody has to do something now.
    """
    what = _stop(said.brief or said.title)
    orders = [_stop(said.at_once or sentences(said.action)[0])] if act else []
    who = f"{code} ({name})" if name else code
    for called in (who, code):
        first = _join([f"{head} {called}: {what}", *orders])
        if septets(first) <= LENGTH:
            break
    else:
        first = _words(f"{head} {code}: {what}")
    return _fill(first, more)


def several(lead: str, pieces: Sequence[str], *, order: str) -> str:
    """Write several alarms: how many, the first with what to do now, others as far as they fit.

    Parameters
    ----------
    lead
        How many there are.
    pieces
        The alarms, the most urgent first.
    order
        What to do about the first, empty for nothing.
    """
    first = [lead, pieces[0], *([_stop(order)] if order else [])]
    while len(first) > 1 and septets(_counted(first, len(pieces) - 1)) > LENGTH:
        first.pop()
    if len(first) == 1:
        return _words(f"{lead} {pieces[0]}")
    said, left = first, len(pieces) - 1
    for piece in pieces[1:]:
        if septets(_counted([*said, piece], left - 1)) > LENGTH:
            break
        said, left = [*said, piece], left - 1
    return _counted(said, left)


def _counted(parts: Sequence[str], left: int) -> str:
    return _join([*parts, f"And {left} more."] if left else parts)


def sentences(text: str) -> list[str]:
    """Take a text apart into its sentences; one, if it has no end within."""
    return [each.strip() for each in _SENTENCE.split(text.strip())]


def _fill(first: str, more: Sequence[str]) -> str:
    whole = first
    for sentence in more:
        longer = _join([whole, sentence])
        if septets(longer) <= LENGTH:
            whole = longer
    return whole


def _join(parts: Sequence[str]) -> str:
    return " ".join(spelt(" ".join(parts)).split())


def _stop(text: str) -> str:
    return text if text.endswith((".", "!", "?")) else f"{text}."


def _words(text: str) -> str:
    """Keep as many whole words as fit."""
    kept: list[str] = []
    for word in _join([text]).split():
        if septets(" ".join([*kept, word])) > LENGTH - 3:
            return f"{' '.join(kept)}..."
        kept.append(word)
    return " ".join(kept)
