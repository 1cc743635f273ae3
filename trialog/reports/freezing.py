"""A document frozen to bytes, and made a document again: what a kept report holds.

Photos are left out, since the records hold them under their hash, and so is the chart library,
which is the same for all.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
import zlib
from collections.abc import Callable
from dataclasses import asdict, fields
from datetime import datetime, tzinfo
from typing import Any
from zoneinfo import ZoneInfo

from trialog.errors import InvalidValueError
from trialog.reports.document import Document
from trialog.reports.tables import Column, Table

FORM = 1
"""The form of what is frozen. Another form gets the next number, and this one is read as ever."""

_PHOTO = re.compile(r'src="data:image/jpeg;base64,([A-Za-z0-9+/=]+)"')
_NAMED = re.compile(r'src="photo:([0-9a-f]{64})"')
"""Nobody's text can hold either: its quotation marks are escaped."""

_BODY = re.compile(r"<main[^>]*>(.*)</main>", re.DOTALL)


def freeze(document: Document) -> bytes:
    """Return a document as bytes that hold all of it but its photos and the chart library."""
    frozen = {
        field.name: getattr(document, field.name)
        for field in fields(document)
        if field.name not in ("clock", "tables")
    }
    frozen |= {
        "form": FORM,
        "html": _PHOTO.sub(_name_photo, document.html),
        "produced_at": document.produced_at.isoformat(),
        "clock": getattr(document.clock, "key", "UTC"),
        "tables": [_plain_table(table) for table in document.tables],
    }
    return zlib.compress(json.dumps(frozen, ensure_ascii=False).encode(), 9)


def thaw(content: bytes, photo: Callable[[str], str]) -> Document:
    """Return the document that was frozen.

    `photo` gives the address of the photo of a hash: where it is, or the photo itself.

    Raises
    ------
    InvalidValueError
        If this version of trialog cannot read it.
    """
    frozen = json.loads(zlib.decompress(content))
    if frozen.pop("form") != FORM:
        raise InvalidValueError("kept report", f"be of form {FORM}", "another version's")
    clock = ZoneInfo(frozen["clock"])
    return Document(
        **_known(Document, frozen)
        | {
            "html": _NAMED.sub(lambda found: f'src="{photo(found[1])}"', frozen["html"]),
            "produced_at": datetime.fromisoformat(frozen["produced_at"]).astimezone(clock),
            "clock": clock,
            "tables": tuple(_table(one, clock) for one in frozen["tables"]),
            "cautions": tuple(frozen["cautions"]),
            "methods": tuple(frozen["methods"]),
        }
    )


def body_of(document: Document) -> str:
    """Return the body of a document, to be put into a page."""
    found = _BODY.search(document.html)
    return "" if found is None else found[1]


def _name_photo(found: re.Match[str]) -> str:
    return f'src="photo:{hashlib.sha256(base64.b64decode(found[1])).hexdigest()}"'


def _plain_table(table: Table) -> dict[str, Any]:
    rows = [
        [{"at": value.isoformat()} if isinstance(value, datetime) else value for value in row]
        for row in table.rows
    ]
    return asdict(table) | {"rows": rows}


def _table(plain: dict[str, Any], clock: tzinfo) -> Table:
    columns = tuple(Column(**_known(Column, column)) for column in plain["columns"])
    rows = tuple(tuple(_value(value, clock) for value in row) for row in plain["rows"])
    return Table(**_known(Table, plain) | {"columns": columns, "rows": rows})


def _known(kind: type[Document | Table | Column], plain: dict[str, Any]) -> dict[str, Any]:
    """Return the fields that were frozen and are still there; a field that is new has a default."""
    return {field.name: plain[field.name] for field in fields(kind) if field.name in plain}


def _value(value: Any, clock: tzinfo) -> Any:
    is_moment = isinstance(value, dict)
    return datetime.fromisoformat(value["at"]).astimezone(clock) if is_moment else value
