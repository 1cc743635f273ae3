"""From the JSON that a tablet sends to lines, each on its own: one that is wrong stops no other."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from trialog.errors import InvalidValueError
from trialog.records.entries import CLIENT_ID
from trialog.records.intake import Incoming
from trialog.web.logging.parsing import MOST_LINES, parse_line


@dataclass(frozen=True)
class Batch:
    """What a tablet sends at once: for which cell, by what clock of its own, from which page."""

    cell: int
    clock: datetime
    page: str | None
    lines: list[Incoming]


def read_batch(body: Any, tablet_id: int) -> Batch:
    """Read a tablet's request. What it holds beyond the known is let be: a newer page may say more.

    Raises
    ------
    InvalidValueError
        If the request is not in this form at all, or a line cannot be told by its client id.
    """
    if not isinstance(body, dict):
        raise InvalidValueError("request", "be a JSON object", body)
    cell, page, lines = body.get("cell"), body.get("page"), body.get("entries")
    if not isinstance(cell, int) or isinstance(cell, bool):
        raise InvalidValueError("cell", "be the number of a cell", cell)
    if not isinstance(page, str | None):
        raise InvalidValueError("page", "be the version of a page", page)
    if not isinstance(lines, list) or not 0 < len(lines) <= MOST_LINES:
        raise InvalidValueError("entries", f"be a list of 1 to {MOST_LINES} lines", lines)
    clock = _clock(body.get("clock"))
    ids = [_client_id(line) for line in lines]
    if len(set(ids)) < len(ids):
        raise InvalidValueError("entries", "name each client_id once", ids)
    read = [
        _incoming(client_id, line, tablet_id) for client_id, line in zip(ids, lines, strict=True)
    ]
    return Batch(cell, clock, page, read)


def _clock(value: Any) -> datetime:
    try:
        clock = datetime.fromisoformat(value)
    except (TypeError, ValueError):
        clock = None
    if clock is None or clock.tzinfo is None:
        raise InvalidValueError("clock", "be a time with its zone", value)
    return clock


def _client_id(line: Any) -> str:
    client_id = line.get("client_id") if isinstance(line, dict) else None
    if not isinstance(client_id, str) or not CLIENT_ID.fullmatch(client_id):
        raise InvalidValueError(
            "client_id", "be 1 to 64 letters, digits or _ . : - on every line", client_id
        )
    return client_id


def _incoming(client_id: str, line: dict[str, Any], tablet_id: int) -> Incoming:
    try:
        return Incoming(client_id, line, parse_line(line, tablet_id=tablet_id))
    except InvalidValueError as error:
        return Incoming(client_id, line, None, error)
