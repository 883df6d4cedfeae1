"""The log as a channel: always there, never fails; for a first run and as a second witness."""

from __future__ import annotations

from dataclasses import dataclass

import structlog

from alerts.notice import Notice
from models.transition import Priority

log = structlog.get_logger()


@dataclass(frozen=True, slots=True, kw_only=True)
class LogSettings:
    """The log takes notices of at least this priority."""

    min_priority: Priority = Priority.LOW


class LogChannel:
    """Writes each notice as one line of the daemon's log."""

    bundles = False

    def deliver(self, notice: Notice) -> str:
        """Write the notice."""
        log.warning(
            "notice.written",
            notice_id=notice.id,
            alarm_ids=[item.alarm_id for item in notice.items],
            priority=notice.priority.name.lower(),
            text=notice.short,
        )
        return "log"
