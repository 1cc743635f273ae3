"""Write the audit as a table or as data, event by event, oldest first."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator, Sequence
from typing import Any

from sqlalchemy.orm import Session

from trialog.records.audit_log import AuditFilter, chain_end, event_as_dict, events_in_order
from trialog.records.formulas import guard

COLUMNS = (
    "sequence", "at", "person_id", "person", "action", "subject", "subject_id", "name", "details",
    "sealed", "previous_hash", "hash",
)  # fmt: skip


def audit_csv(session: Session, which: AuditFilter) -> Iterator[str]:
    """Write the events that a filter lets through as CSV, piece by piece."""
    yield _csv(COLUMNS)
    for event in events_in_order(session, which):
        data = event_as_dict(event)
        yield _csv([_cell(data[name]) for name in COLUMNS])


def audit_json(session: Session, which: AuditFilter) -> Iterator[str]:
    """Write the same events as JSON, with the length of the whole chain and its newest hash."""
    length, head = chain_end(session)
    yield '{\n  "chain": ' + json.dumps({"length": length, "head": head}) + ',\n  "events": ['
    comma = ""
    for event in events_in_order(session, which):
        yield f"{comma}\n    {json.dumps(event_as_dict(event), ensure_ascii=False)}"
        comma = ","
    yield "\n  ]\n}\n"


def _csv(row: Sequence[str]) -> str:
    text = io.StringIO(newline="")
    csv.writer(text, lineterminator="\r\n").writerow(row)
    return text.getvalue()


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, dict | list):
        return json.dumps(value, ensure_ascii=False)
    return guard(str(value))
