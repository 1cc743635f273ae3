"""The sign-in form."""

from flask_wtf import FlaskForm
from wtforms import HiddenField, PasswordField, SelectField
from wtforms.validators import InputRequired, Length

from trialog.records.pins import LONGEST_PIN


class SignInForm(FlaskForm):  # type: ignore[misc]  # flask_wtf has no types
    """Who, and the PIN."""

    name = SelectField("Your name", validators=[InputRequired("Pick your name.")])
    pin = PasswordField(
        "PIN", validators=[InputRequired("Type your PIN."), Length(max=LONGEST_PIN)]
    )
    next = HiddenField()
