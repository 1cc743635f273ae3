"""Where what an audit event is about can be seen."""

from __future__ import annotations

from typing import Any

from flask import url_for

from trialog.records.audit_log import Told

_PAGES = {
    "cell": ("setup.cell", "cell_id"),
    "logbook": ("setup.cell", "cell_id"),
    "report": ("kept.show", "report_id"),
    "trial": ("trials.show", "trial_id"),
}


def event_page(event: Told) -> str | None:
    """Return the address of what an event is about, where it has a page that everybody may see."""
    endpoint, argument = _PAGES.get(event.subject, (None, ""))
    if endpoint is None or not event.name:
        return None
    values: dict[str, Any] = {argument: event.subject_id}
    return url_for(endpoint, **values)
