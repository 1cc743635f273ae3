"""The forms about people."""

from __future__ import annotations

from flask_wtf import FlaskForm
from wtforms import BooleanField, PasswordField, SelectField, StringField
from wtforms.validators import Length, Optional

from trialog.records.base import NAME_LIMIT
from trialog.records.pins import LONGEST_PIN, SHORTEST_PIN
from trialog.records.words import Role
from trialog.web.fields import Given

_LENGTH = Length(
    min=SHORTEST_PIN,
    max=LONGEST_PIN,
    message=f"Must have {SHORTEST_PIN} to {LONGEST_PIN} characters.",
)
_ROLES = [role.value for role in Role]


class NewPersonForm(FlaskForm):  # type: ignore[misc]  # flask_wtf has no types
    """Somebody new."""

    name = StringField("Name", validators=[Given(), Length(max=NAME_LIMIT)])
    role = SelectField("Role", choices=_ROLES)
    pin = PasswordField("PIN", validators=[Given(), _LENGTH])


class PersonForm(FlaskForm):  # type: ignore[misc]  # flask_wtf has no types
    """What may change about a person."""

    role = SelectField("Role", choices=_ROLES)
    pin = PasswordField("New PIN", validators=[Optional(), _LENGTH])
    active = BooleanField("May sign in")
