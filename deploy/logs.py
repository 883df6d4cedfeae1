"""Logging: lines for a person on a terminal, JSON otherwise; always on standard error."""

from __future__ import annotations

import logging
import sys

import structlog


def set_up(level: str = "info") -> None:
    """Set up structlog for the process."""
    terminal = sys.stderr.isatty()
    renderer: structlog.typing.Processor = (
        structlog.dev.ConsoleRenderer() if terminal else structlog.processors.JSONRenderer()
    )
    structlog.configure(
        processors=[
            structlog.contextvars.merge_contextvars,
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            renderer,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(
            getattr(logging, level.upper(), logging.INFO)
        ),
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
        cache_logger_on_first_use=False,
    )
    logging.basicConfig(stream=sys.stderr, level=logging.WARNING)
