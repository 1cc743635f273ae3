"""The forms about trials: rulings, a file to import, acknowledging and signing."""

from __future__ import annotations

from typing import Any

from flask_wtf import FlaskForm
from flask_wtf.file import FileField, FileRequired
from wtforms import (
    BooleanField,
    HiddenField,
    IntegerField,
    PasswordField,
    SelectChoice,
    SelectField,
    StringField,
    TextAreaField,
)
from wtforms.validators import AnyOf, InputRequired, Length

from trialog.evidence import CAUTIONS
from trialog.records.base import TEXT_LIMIT
from trialog.records.entries import NewEntry
from trialog.records.pins import LONGEST_PIN
from trialog.records.words import AcknowledgementKind, EntryKind, RulingCause
from trialog.web.fields import Given

RELEVANT, NON_RELEVANT = "relevant", "non-relevant"
_WORDS = Length(max=TEXT_LIMIT, message=f"Must be at most {TEXT_LIMIT} characters.")


class RulingForm(FlaskForm):  # type: ignore[misc]  # flask_wtf has no types
    """A ruling on one failure mode of one failed cycle."""

    ruling_id = HiddenField(validators=[InputRequired()])
    entry = HiddenField(validators=[InputRequired()])
    mode_id = IntegerField(validators=[InputRequired()])
    decision = StringField(validators=[AnyOf([RELEVANT, NON_RELEVANT])])
    cause = SelectField(
        "Cause", choices=[SelectChoice("", "no cause given"), *(word.value for word in RulingCause)]
    )
    words = StringField("In words", validators=[Length(max=TEXT_LIMIT)])

    def line(self, person_id: int) -> NewEntry:
        """Return the line that the form stands for."""
        return NewEntry(
            client_id=self.ruling_id.data,
            kind=EntryKind.RULING,
            person_id=person_id,
            target=self.entry.data,
            failure_mode_id=self.mode_id.data,
            relevant=self.decision.data == RELEVANT,
            cause=RulingCause(self.cause.data) if self.cause.data else None,
            reason=(self.words.data or "").strip(),
        )


class UploadForm(FlaskForm):  # type: ignore[misc]  # flask_wtf has no types
    """A file to look at before it is imported."""

    file = FileField("CSV file", validators=[FileRequired("Pick a file.")])


class AcknowledgeForm(FlaskForm):  # type: ignore[misc]  # flask_wtf has no types
    """Taking note, in writing, of the cautions or of a trend or burst."""

    kind = SelectField("What", choices=[kind.value for kind in AcknowledgementKind])
    text = TextAreaField("In your own words", validators=[Given("Must be written."), _WORDS])


def _pin_field() -> PasswordField:
    return PasswordField(
        "Your PIN", validators=[InputRequired("Type your PIN."), Length(max=LONGEST_PIN)]
    )


class SignForm(FlaskForm):  # type: ignore[misc]  # flask_wtf has no types
    """A sign-off: each caution ticked, a statement, and the signer's PIN once more."""

    statement = TextAreaField("Statement", validators=[Given("Must be written."), _WORDS])
    pin = _pin_field()

    def caution_fields(self) -> list[Any]:
        """Return the checkboxes, one for each caution."""
        return [self[f"caution_{number}"] for number in range(len(CAUTIONS))]


class RefuseForm(FlaskForm):  # type: ignore[misc]  # flask_wtf has no types
    """A refusal to sign, or a decision taken back: a reason, and the PIN once more."""

    reason = TextAreaField("Reason", validators=[Given("Must be written."), _WORDS])
    pin = _pin_field()


for _number, _caution in enumerate(CAUTIONS):
    setattr(
        SignForm,
        f"caution_{_number}",
        BooleanField(_caution, validators=[InputRequired("Must be ticked by whoever signs.")]),
    )
