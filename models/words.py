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
    what would tell; ``action`` what to do now; ``cautions`` the dangers of doing it. ``sure`` says how
    sure it is where a probability would not: empty, the probability is said.

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
    cautions: tuple[str, ...]
    sure: str = ""
    brief: str = ""
    at_once: str = ""
    share: str = ""
    since: str = ""
    proven: str = ""
    rivals: str = ""
    tells_apart: str = ""


WriteWords = Callable[[Mapping[str, float], Units], Words]

HOT_FLUID = (
    "Hot transmission fluid scalds at once, and cooler lines are under "
    "pressure while the engine runs: do not open, loosen or touch lines, drain or dipstick "
    "tube until all is cool."
)
HOT_COOLANT = (
    "Hot coolant scalds and is under pressure: never open its cap or a hose before all is cool, and keep it "
    "off the ground and out of drains."
)
STOP_SAFELY = (
    "Stop only where it is safe, off the roadway and on level ground where you can; set the "
    "parking brake and chock the wheels before leaving the cab. Do not look under the truck "
    "at the roadside."
)
SHOP_ONLY = (
    "In the shop: level ground, wheels chocked, rated stands, never under a jack alone. "
    "Follow the maker's manual and local rules; leave the work to qualified people."
)
USED_OIL = (
    "Catch drained fluid in a closed container marked 'Used Oil', keep it apart from "
    "coolant, brake fluid and solvents, and hand it in as local rules say."
)
WORK_IN_SHORT = (
    "Caution: hot fluid scalds and its lines are under pressure; let all cool, engine off. Level "
    "ground, wheels chocked, rated stands, qualified people. Used oil goes into a closed, marked "
    "container. The maker's manual, local rules and licensed practice come before this."
)
"""The three above, for a line after a command."""
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
SAMPLING_CAUTIONS = (
    (
        "Fluid at operating temperature scalds and its lines are under pressure while the "
        "engine runs: eye and face protection, heat-resistant gloves, never open a line or a "
        "drain above 60 °C (140 °F). Draw through the dipstick tube or a sampling valve made for it."
    ),
    SHOP_ONLY,
    USED_OIL,
)
