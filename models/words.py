"""What an alarm says to a person: written beside the detector that raises it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from models.units import Units


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """The plain words of one condition, from the numbers that raised it.

    ``title`` is one line without the truck's name; ``observed`` and ``expected`` say what was
    seen and what a healthy truck would have shown; ``doubts`` what else could explain it and
    what would tell; ``action`` what to do now. ``driver`` and ``technician`` are
    the dangers to whoever drives and to whoever works on it. ``sure`` says how sure it is where a
    probability would not: empty, the probability is said.

    The rest may be empty. ``brief`` and ``at_once`` are title and action for a text message, in a few
    words and without a full stop; ``share`` what the cooler carries of its own healthy share; ``since``
    how long the signals have shown it; ``proven`` when the circuit was last seen to work, or not seen;
    ``rivals`` the causes that remain with their probabilities; ``tells_apart`` what would tell them apart.
    """

    title: str
    observed: str
    expected: str
    doubts: str
    action: str
    driver: tuple[str, ...]
    technician: tuple[str, ...]
    sure: str = ""
    brief: str = ""
    at_once: str = ""
    share: str = ""
    since: str = ""
    proven: str = ""
    rivals: str = ""
    tells_apart: str = ""

    @property
    def cautions(self) -> tuple[str, ...]:
        """All dangers, those to whoever drives first."""
        return (*self.driver, *self.technician)


WriteWords = Callable[[Mapping[str, float], Units], Words]

SHORT_DRIVE = (
    "Counted with a short drive between one pan drop and the next, so that the converter mixes "
    "what stayed in it; drops without one change less."
)
SAMPLING = (
    "Take the sample at operating temperature, with the fluid well mixed, from the middle of the "
    "stream or of the sump, not from the bottom; before fluid is topped up or changed, through a "
    "clean tube into a clean, dry bottle. Note truck, date, odometer and which fill it is."
)
"""Common practice, no source."""
