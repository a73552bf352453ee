"""The service's own log: one JSON object a line on standard error, with stable event names."""

from __future__ import annotations

import logging
import sys
from collections.abc import MutableMapping
from typing import Any, TextIO

import structlog
from structlog.typing import FilteringBoundLogger, WrappedLogger

from sidekeep.plain import plain

Log = FilteringBoundLogger


def _plain_values(
    _logger: WrappedLogger, _method: str, event: MutableMapping[str, Any]
) -> MutableMapping[str, Any]:
    return {name: _plain_value(value) for name, value in event.items()}


def _plain_value(value: Any) -> Any:
    if isinstance(value, str):
        return plain(value)
    if isinstance(value, list | tuple):
        return [_plain_value(item) for item in value]
    return value


def open_log(stream: TextIO | None = None, *, silent: bool = False) -> Log:
    """Make the service's logger.

    Args:
        stream: where the lines go; standard error when missing.
        silent: write nothing, where a command tells in its own words.
    """
    log: Log = structlog.wrap_logger(
        structlog.PrintLogger(stream or sys.stderr),
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            _plain_values,
            structlog.processors.JSONRenderer(ensure_ascii=False),
        ],
        wrapper_class=structlog.make_filtering_bound_logger(
            logging.CRITICAL if silent else logging.INFO
        ),
        cache_logger_on_first_use=True,
    )
    return log
