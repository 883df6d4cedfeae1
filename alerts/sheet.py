"""What a notice says of one alarm, before it takes a form: text and page are made from it.

So a mail's two halves cannot say different things.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from models.transition import Priority


@dataclass(frozen=True, slots=True, kw_only=True)
class Passage:
    """A heading and what stands under it: lines, then points of a list.

    ``weight``: what somebody has to do at once, what can hurt, or the rest.
    """

    heading: str
    lines: tuple[str, ...] = ()
    points: tuple[str, ...] = ()
    weight: Literal["do", "caution", ""] = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """One alarm in full: which truck, what, and the passages, the most urgent first.

    ``head`` says what the notice is; ``lead``, which may be empty, stands before the passages;
    ``urgent`` that the alarm stands, so that its priority is to be seen.
    """

    head: str
    priority: Priority
    who: str
    title: str
    lead: str = ""
    passages: tuple[Passage, ...]
    foot: str
    urgent: bool = True
