"""Which kept reports to look for; all of it stands in the address."""

from __future__ import annotations

from collections.abc import Mapping
from zoneinfo import ZoneInfo

from sqlalchemy import select
from sqlalchemy.orm import Session
from werkzeug.datastructures import MultiDict
from wtforms import SelectField

from trialog.records.audit_log import days
from trialog.records.kept import KeptFilter
from trialog.records.models import Cell
from trialog.records.words import ReportKind
from trialog.web.searching import SearchForm

KINDS = {ReportKind.SHIFT: "shifts", ReportKind.TRIAL: "trials, as they were signed"}


class FilterForm(SearchForm):
    """Of what, from when."""

    cell = SelectField("Cell", default="")
    kind = SelectField("Of", default="")

    def filter(self, zone: ZoneInfo) -> KeptFilter:
        """Return the filter that the fields ask for, days being the shop's."""
        return KeptFilter(
            cell_id=int(self.cell.data) if self.cell.data else None,
            kind=ReportKind(self.kind.data) if self.kind.data else None,
            **days(self.first.data, self.last.data, zone),
        )


def read_form(session: Session, given: Mapping[str, str]) -> FilterForm:
    """Read the form from an address, with the choices that the records offer."""
    form = FilterForm(MultiDict(given))
    cells = session.execute(select(Cell.id, Cell.name).order_by(Cell.name))
    form.cell.choices = [("", "any"), *((str(number), name) for number, name in cells)]
    form.kind.choices = [("", "anything"), *((str(kind), words) for kind, words in KINDS.items())]
    return form
