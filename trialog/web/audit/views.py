"""The page of the audit, and the same events as a file."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from flask import Response as FlaskResponse
from flask import request, stream_with_context, url_for
from sqlalchemy.orm import Session
from werkzeug.wrappers import Response

from trialog.feeds import audit_csv, audit_json
from trialog.records.audit_log import AuditFilter, Told, chain_end, count_events, newest_events
from trialog.records.people import Action
from trialog.reports.audit_words import deed_words, detail_words, sealed_words
from trialog.web.audit import bp
from trialog.web.audit.forms import read_form
from trialog.web.audit.words import event_page
from trialog.web.database import get_session
from trialog.web.paging import Listing, looked_for, page_of
from trialog.web.saving import form_page
from trialog.web.searching import asked_of
from trialog.web.security import allowed

PAGE = 100
"""Events on a page."""


@bp.get("/audit")
@allowed(Action.AUDIT)
def index() -> Response:
    """List who did what, the newest first."""
    session = get_session()
    form = read_form(session, request.args)
    which = asked_of(form, form.filter)
    listing = None if which is None else _list(session, which)
    length, head = chain_end(session)
    return form_page(
        "audit/index.html", form, listing=listing, length=length, head=head,
        exports=None if listing is None else {
            kind: url_for(f"audit.{kind}", **looked_for()) for kind in ("csv", "json")
        },
        page_of=event_page, deed_words=deed_words, detail_words=detail_words,
        sealed_words=sealed_words,
    )  # fmt: skip


@bp.get("/audit.csv")
@allowed(Action.AUDIT)
def csv() -> Response:
    """Download what the filter lets through as a table, oldest first."""
    return _file(audit_csv, "text/csv", "audit.csv")


@bp.get("/audit.json")
@allowed(Action.AUDIT)
def json() -> Response:
    """Download what the filter lets through as data, oldest first."""
    return _file(audit_json, "application/json", "audit.json")


def _file(
    write: Callable[[Session, AuditFilter], Iterator[str]], mimetype: str, name: str
) -> Response:
    session = get_session()
    form = read_form(session, request.args)
    which = asked_of(form, form.filter)
    if which is None:
        return form_page("audit/index.html", form, listing=None, length=0, head="", exports=None)
    response = FlaskResponse(stream_with_context(write(session, which)), mimetype=mimetype)
    response.headers["Content-Disposition"] = f'attachment; filename="{name}"'
    return response


def _list(session: Session, which: AuditFilter) -> Listing[Told]:
    return page_of(
        count_events(session, which),
        PAGE,
        lambda skip: newest_events(session, which, skip=skip, most=PAGE),
    )
