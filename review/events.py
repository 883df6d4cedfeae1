"""From the kernel's events to transitions with names."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from numpy.typing import NDArray

from models import silence
from models.detectors import DETECTORS
from models.kernel import KINDS
from models.transition import Priority, Transition

_EVIDENCE: Mapping[str, tuple[str, ...]] = {
    **{detector.kind: detector.evidence for detector in DETECTORS},
    silence.KIND: silence.EVIDENCE,
}


def transitions(vehicle: str, events: Sequence[NDArray[Any]]) -> list[Transition]:
    """Turn the kernel's events (records ``EVENT``) into transitions of a truck."""
    found: list[Transition] = []
    for block in events:
        for event in block:
            kind = KINDS[int(event["kind"])]
            found.append(
                Transition(
                    vehicle=vehicle,
                    kind=kind,
                    time_ms=int(event["time_ms"]),
                    onset_ms=int(event["onset_ms"]),
                    active=bool(event["active"]),
                    priority=Priority(int(event["priority"])),
                    probability=float(event["probability"]),
                    evidence={
                        name: float(value)
                        for name, value in zip(_EVIDENCE[kind], event["evidence"], strict=False)
                    },
                )
            )
    return found
