"""The alarms' own figures for a program."""

from __future__ import annotations

from typing import Any

import msgspec

from alerts.figures import Figures
from models.units import rfc3339


def plain(found: Figures) -> dict[str, Any]:
    """Write the figures for a program."""
    made: dict[str, Any] = msgspec.to_builtins(found)
    return {"since": rfc3339(found.since_ms), "until": rfc3339(found.until_ms), **made}
