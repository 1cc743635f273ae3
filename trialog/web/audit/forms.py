"""What to look for in the audit; all of it stands in the address."""

from __future__ import annotations

from collections.abc import Mapping
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session
from werkzeug.datastructures import MultiDict
from wtforms import SelectField, StringField
from wtforms.validators import Length, Optional

from trialog.records.audit_log import NOBODY, AuditFilter, days, known_words
from trialog.records.base import NAME_LIMIT
from trialog.web.people.reading import all_people
from trialog.web.searching import SearchForm


class FilterForm(SearchForm):
    """Who, what, when."""

    person = SelectField("Who", default="")
    action = SelectField("What", default="")
    subject = SelectField("To what", default="")
    text = StringField(
        "Text",
        validators=[
            Optional(),
            Length(max=NAME_LIMIT, message=f"Must be at most {NAME_LIMIT} characters."),
        ],
    )

    def filter(self, zone: ZoneInfo) -> AuditFilter:
        """Return the filter that the fields ask for, days being the shop's."""
        return AuditFilter(
            person=self.person.data or None,
            action=self.action.data or None,
            subject=self.subject.data or None,
            text=self.text.data or None,
            **days(self.first.data, self.last.data, zone),
        )


def read_form(session: Session, given: Mapping[str, str]) -> FilterForm:
    """Read the form from an address, with the choices that the records offer."""
    form = FilterForm(MultiDict(given))
    actions, subjects = known_words(session)
    names = [person.name for person in all_people(session)]
    form.person.choices = [("", "anybody"), (NOBODY, NOBODY), *((name, name) for name in names)]
    form.action.choices = [("", "anything"), *((word, word) for word in actions)]
    form.subject.choices = [("", "anything"), *((word, word) for word in subjects)]
    return form
