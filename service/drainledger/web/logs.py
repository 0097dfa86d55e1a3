"""Logs as JSON lines by structlog: what the service did, never to whom.

No identifier of a patient, no body, no query string, no path: a route's template stands for it. An exception is told
by its type and the lines of code it passed; its message is left out, for it may quote what was sent.
"""

from __future__ import annotations

import logging
import sys
import traceback
from collections.abc import MutableMapping
from pathlib import Path
from typing import Any, TextIO

import structlog

#: Loggers whose sentences are known to quote nothing that was sent. Of any other only level and name are told.
_TRUSTED = ("uvicorn.error", "drainledger")
_HERE = Path(__file__).resolve().parents[2]

Event = MutableMapping[str, Any]


def configure(level: str, stream: TextIO | None = None) -> None:
    """Sends this service's and its libraries' logs as JSON lines to `stream` (standard error)."""
    handler = logging.StreamHandler(stream or sys.stderr)
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=[_foreign, *_COMMON],
            processors=[
                structlog.stdlib.ProcessorFormatter.remove_processors_meta,
                _exception,
                structlog.processors.JSONRenderer(),
            ],
        )
    )
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(level.upper())
    for chatty in ("alembic", "httpx", "uvicorn"):  # httpx would log the URL of each request
        logging.getLogger(chatty).setLevel(logging.WARNING)
    structlog.configure(
        processors=[*_COMMON, structlog.stdlib.ProcessorFormatter.wrap_for_formatter],
        wrapper_class=structlog.stdlib.BoundLogger,
        logger_factory=structlog.stdlib.LoggerFactory(),
        cache_logger_on_first_use=False,
    )


def logger() -> structlog.stdlib.BoundLogger:
    log: structlog.stdlib.BoundLogger = structlog.get_logger("drainledger")
    return log


def told(error: BaseException) -> dict[str, object]:
    """An exception without its message: its type, and where in the code it was raised, the innermost last."""
    chain: list[str] = []
    cause: BaseException | None = error
    while cause is not None and len(chain) < 4:
        chain.append(type(cause).__qualname__)
        cause = cause.__cause__ or cause.__context__
    frames = traceback.extract_tb(error.__traceback__)[-8:]
    return {"error": " from ".join(chain), "at": [f"{_place(f.filename)}:{f.lineno}" for f in frames]}


def _place(filename: str) -> str:
    path = Path(filename)
    return path.relative_to(_HERE).as_posix() if path.is_relative_to(_HERE) else path.name


def _foreign(_: Any, __: str, event: Event) -> Event:
    """A library's line; the sentence of one that may quote what was sent is put aside."""
    record: logging.LogRecord = event["_record"]
    if not record.name.startswith(_TRUSTED):
        event["event"] = "a library has logged something"
    event["logger"] = record.name
    event.pop("positional_args", None)
    return event


def _exception(_: Any, __: str, event: Event) -> Event:
    raised = event.pop("exc_info", None)
    if raised is True:
        raised = sys.exc_info()
    error = raised[1] if isinstance(raised, tuple) else raised
    if isinstance(error, BaseException):
        event.update(told(error))
    event.pop("exc_text", None)
    event.pop("stack_info", None)
    return event


_COMMON: list[structlog.types.Processor] = [
    structlog.stdlib.add_log_level,
    structlog.processors.TimeStamper(fmt="iso", utc=True, key="time"),
]
