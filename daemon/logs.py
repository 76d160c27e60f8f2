"""Logging: lines that people read on a terminal, JSON under a supervisor."""

import logging
import sys

import structlog


def set_up_logs(level: int = logging.INFO) -> None:
    """Log to standard error, one line an event, in the form that suits who reads it."""
    readable = sys.stderr.isatty()
    renderer: structlog.typing.Processor = (
        structlog.dev.ConsoleRenderer() if readable else structlog.processors.JSONRenderer(ensure_ascii=False)
    )
    structlog.configure(
        processors=[
            structlog.contextvars.merge_contextvars,
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.dict_tracebacks if not readable else structlog.processors.format_exc_info,
            renderer,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(level),
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
    )
