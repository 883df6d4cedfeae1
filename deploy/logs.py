"""Logging, always on standard error: lines for a person, or JSON; libraries in the same form as we."""

from __future__ import annotations

import logging
import os
import sys
import time
from collections.abc import Mapping
from typing import IO, Literal

import structlog

from deploy.log_repeats import Repeats

log = structlog.get_logger()

Form = Literal["auto", "lines", "json"]

_PRIORITIES = {"debug": 7, "info": 6, "warning": 4, "error": 3, "critical": 2}
"""What the journal calls them (sd-daemon(3), as syslog(3))."""


def set_up(
    level: str = "info", form: Form = "auto", *, env: Mapping[str, str] | None = None
) -> None:
    """Set up structlog for the process; what libraries log from warnings on goes through it too."""
    env = os.environ if env is None else env
    renderer = _renderer(form)
    structlog.configure(
        processors=[
            structlog.contextvars.merge_contextvars,
            structlog.processors.add_log_level,
            structlog.processors.format_exc_info,
            Repeats(time.monotonic),
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            _ForJournal(renderer) if is_journal(sys.stderr, env) else renderer,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(
            getattr(logging, level.upper(), logging.INFO)
        ),
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
        cache_logger_on_first_use=False,
    )
    logging.basicConfig(
        handlers=[_Libraries(logging.WARNING)], level=logging.WARNING, force=True
    )


def is_journal(stream: IO[str], env: Mapping[str, str]) -> bool:
    """Say whether a stream leads to the journal: systemd names its device and inode (systemd.exec(5))."""
    try:
        found = os.fstat(stream.fileno())
    except (OSError, ValueError):
        return False
    return env.get("JOURNAL_STREAM") == f"{found.st_dev}:{found.st_ino}"


def _renderer(form: Form) -> structlog.typing.Processor:
    terminal = sys.stderr.isatty()
    if form == "lines" or (form == "auto" and terminal):
        return structlog.dev.ConsoleRenderer(colors=terminal)
    return structlog.processors.JSONRenderer()


class _ForJournal:
    """Renders with the journal's priority before each line: it takes every line for an entry."""

    def __init__(self, render: structlog.typing.Processor) -> None:
        self._render = render

    def __call__(
        self,
        logger: structlog.typing.WrappedLogger,
        method: str,
        event: structlog.typing.EventDict,
    ) -> str:
        """Render a line."""
        priority = _PRIORITIES.get(str(event.get("level")), 6)
        text = str(self._render(logger, method, event))
        return "\n".join(f"<{priority}>{line}" for line in text.splitlines())


class _Libraries(logging.Handler):
    """Hands what libraries log to structlog."""

    def emit(self, record: logging.LogRecord) -> None:
        """Log it as an event of ours."""
        about = {"library": record.name, "words": record.getMessage()}
        if record.levelno >= logging.ERROR:
            log.error("library.said", **about, exc_info=record.exc_info)
        else:
            log.warning("library.said", **about, exc_info=record.exc_info)
