"""Names that are the same on every run: a repeated commit or a restart tells nobody twice."""

from __future__ import annotations

from collections.abc import Sequence
from hashlib import sha256

_SEPARATOR = "\x1f"


def alarm_id(vehicle: str, kind: str, onset_ms: int, nth: int = 0) -> str:
    """Name the alarm of one episode; ``nth`` tells apart the rare second use of one onset."""
    parts = [vehicle, kind, str(onset_ms)]
    return _digest("alarm", *parts, *([str(nth)] if nth else []))[:20]


def notice_id(alarm: str, matter: str, turn: int, nth: int, channel: str) -> str:
    """Name one notice: matter, turn of the alarm, which of that matter in the turn, and channel."""
    return _digest("notice", alarm, matter, str(turn), str(nth), channel)[:32]


def moved_id(telling: str, destination: str) -> str:
    """Name the same telling for another destination."""
    return _digest("moved", telling, destination)[:32]


def sending_id(tellings: Sequence[str]) -> str:
    """Name a sending by what is in it; one telling alone lends it its own name."""
    if len(tellings) == 1:
        return tellings[0]
    return _digest("sending", *sorted(tellings))[:32]


def report_id(name: str, destination: str) -> str:
    """Name a report to a destination."""
    return _digest("report", name, destination)[:32]


def _digest(*parts: str) -> str:
    return sha256(_SEPARATOR.join(parts).encode()).hexdigest()
