"""How a line of the server's log looks: JSON, or plain text; always one line, never a secret.

What comes from outside cannot begin a second line or steer a terminal, whatever it holds. Values
that a database or a person gave stay out of what is told of an error.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import Any

from pythonjsonlogger.json import JsonFormatter

from trialog.web.journal.faults import told

FACTS = "facts"
"""Name of a record's attribute that holds its facts: plain values by name."""

LEVELS = ("debug", "info", "warning", "error")
LONGEST = 2_000
"""Characters of a value; what is longer is cut, so that no line fills a disk."""


def facts_of(record: logging.LogRecord) -> dict[str, Any]:
    """Return what a line says, in the order it is said."""
    moment = datetime.fromtimestamp(record.created, UTC)
    said = {
        "time": moment.isoformat(timespec="milliseconds").replace("+00:00", "Z"),
        "level": record.levelname.lower(),
        "logger": record.name,
        "event": record.getMessage(),
    }
    facts = getattr(record, FACTS, None)
    said |= facts if isinstance(facts, Mapping) else {}
    if record.exc_info and record.exc_info[1] is not None:
        said |= told(record.exc_info[1])
    return {name: _short(value) for name, value in said.items()}


def _short(value: Any) -> Any:
    if isinstance(value, str) and len(value) > LONGEST:
        return value[:LONGEST] + "…"
    return value


def cleaned(text: str) -> str:
    """Return a text on one line: what does not print is written as an escape."""
    return "".join(
        sign if sign.isprintable() else sign.encode("unicode_escape").decode("ascii")
        for sign in text
    )


class PlainForm(logging.Formatter):
    """Time, level and event as they are read, then `name=value` for each fact."""

    def format(self, record: logging.LogRecord) -> str:
        """Return the line of a record."""
        said = facts_of(record)
        head = " ".join(cleaned(str(said.pop(name))) for name in ("time", "level", "logger"))
        event = cleaned(str(said.pop("event")))
        return " ".join([head, event, *(f"{name}={_plain(one)}" for name, one in said.items())])


def _plain(value: Any) -> str:
    text = cleaned(str(value))
    quoted = not text or any(sign in text for sign in ' "=')
    return json.dumps(text, ensure_ascii=False) if quoted else text


class JsonForm(JsonFormatter):
    """One JSON object a line, in ASCII: every control character is an escape."""

    def add_fields(
        self,
        log_data: dict[str, Any],
        record: logging.LogRecord,
        message_dict: dict[str, Any],  # noqa: ARG002 - the library's signature
    ) -> None:
        """Put a record's facts into the object that is written."""
        log_data.update(facts_of(record))


FORMS: Mapping[str, Callable[[], logging.Formatter]] = {"text": PlainForm, "json": JsonForm}
"""The forms of TRIALOG_LOG_FORMAT."""
