"""What a detector is: one file that says what it looks for, and one line that lists it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from models.account import Account
from models.kinematics import Kinematics
from models.layout import Layout
from models.sensor_watch import SensorWatch
from models.thermal import Thermal
from models.view import View
from models.words import WriteWords

EVIDENCE_SIZE = 25
"""Most numbers that one transition can carry."""


class Truck(Layout):
    """What every detector may read of a truck: newest sample, what turns, account, heat balance."""

    latest: View
    kinematics: Kinematics
    account: Account
    thermal: Thermal
    sensor: SensorWatch


@dataclass(frozen=True, slots=True, kw_only=True)
class Detector:
    """One kind of alarm.

    Attributes
    ----------
    kind
        Name of the alarm, as in the contract.
    params, state
        Record classes; ``state`` starts with every number zero.
    evidence
        Names (with units) of the numbers that ``step`` leaves in its last argument, in order.
    step
        Compiled ``(params, state, truck, evidence) -> (priority, probability)``: the priority
        (0 none, else ``models.transition.Priority``) that holds *now*, for as long as it holds.
        Raising once, delays and clearing are the business of ``models.presence``.
    on_delay_s, off_delay_s
        How long a condition must hold, or be gone, in sample time [s].
    words
        The plain words for a person.
    begins_again_with
        Kinds of service entries (``models.service``) that replace what the state was learned from.
    """

    kind: str
    params: type[Layout]
    state: type[Layout]
    evidence: tuple[str, ...]
    step: Callable[..., Any]
    on_delay_s: float
    off_delay_s: float
    words: WriteWords
    begins_again_with: tuple[str, ...] = ("gearbox",)
