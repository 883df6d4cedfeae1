"""Advice to the driver: a few words over the broker to a display in the truck.

Only of what a driver can do something about now, and at most ``LONGEST`` characters: whoever
drives has nothing to read. A display should sound or light while the truck moves, and show the
words once it stands.

Each kind of alarm has a topic of its own below the truck's: with one for all, the end of one alarm would
wipe out the advice of another that stands. Advice is retained while its alarm stands, so that a display
that is switched on later still shows it, and taken away when it ends.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from alerts.alarm import OVER, Matter
from alerts.notice import Item, Notice
from models.transition import Priority
from models.units import rfc3339

LONGEST = 40
"""Characters of each of the two lines; own choice: what is read at a glance on a small display."""

KINDS: Mapping[str, tuple[str, str]] = {
    "over_temperature": ("Gearbox fluid too hot", "Ease off. Stop where it is safe."),
    "bypass_stuck": ("Fluid does not reach the cooler", "Ease off. Stop where it is safe."),
    "coolant_valve_stuck": ("Gearbox cooling valve stuck", "Ease off. Watch the temperature."),
    "heat_rejection_low": ("Gearbox cooling too weak", "Ease off. Watch the temperature."),
    "cooler_starved": ("Gearbox cooler does too little", "Ease off on climbs."),
    "lockup_slip": ("Converter clutch slips", "Ease off. Lower gear on grades."),
}
"""What a driver can act on now: what it is, and what to do. Everything else is for the workshop."""

_STANDS = frozenset({Matter.ACTIVE, Matter.RISE, Matter.REMINDER})


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """One message to publish at QoS 1."""

    topic: str
    payload: bytes
    retain: bool


Publish = Callable[[Sequence[Advice]], str]
"""Publish in this order and wait until the broker has all of it; gives a line for the delivery log.
Raises ``Undelivered``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AdviceSettings:
    """``root`` is the first part of the topics, as for the trucks' own messages."""

    root: str = "fleet"
    min_priority: Priority = Priority.HIGH

    def __post_init__(self) -> None:
        if not self.root.strip("/") or set(self.root) & set("+#\0"):
            raise ValueError("root: the first part of a topic, like fleet")


class AdviceChannel:
    """Publishes what a driver can do now."""

    bundles = False

    def __init__(self, settings: AdviceSettings, *, publish: Publish) -> None:
        self._settings = settings
        self._publish = publish

    def deliver(self, notice: Notice) -> str:
        """Publish the advice; delivered is what the broker has confirmed."""
        messages = [each for item in notice.items for each in self._messages(item)]
        if notice.items and not messages:
            return "nothing for a driver to do"
        if not notice.items:  # a trial of the way there
            topic = f"{self._settings.root}/heatbook-test/advice/test"
            messages = [Advice(topic=topic, payload=b"{}", retain=False)]
        return self._publish(messages)

    def _messages(self, item: Item) -> list[Advice]:
        if item.kind not in KINDS:
            return []
        topic = f"{self._settings.root}/{item.vehicle}/advice/{item.kind}"
        if item.matter in _STANDS:
            return [Advice(topic=topic, payload=encode(item), retain=True)]
        if item.matter in OVER:
            return [
                Advice(topic=topic, payload=encode(item), retain=False),
                Advice(topic=topic, payload=b"", retain=True),
            ]
        return []


def encode(item: Item) -> bytes:
    """Write the message: the same bytes on every try."""
    text, do = KINDS[item.kind]
    stands = item.matter in _STANDS
    said = {
        "time": rfc3339(item.time_ms),
        "alarm": item.kind,
        "priority": item.priority.name.lower(),
        "state": "active" if stands else "normal",
        "text": text,
        "do": do if stands else "",
    }
    return json.dumps(said, separators=(",", ":")).encode()
