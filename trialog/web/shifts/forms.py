"""What engineers add to a shift, and the form of a revision."""

from __future__ import annotations

from datetime import MAXYEAR, MINYEAR, UTC, datetime, tzinfo

from flask_wtf.file import FileField
from wtforms import (
    DateTimeLocalField,
    HiddenField,
    RadioField,
    SelectChoice,
    SelectField,
    StringField,
    TextAreaField,
    ValidationError,
)
from wtforms.validators import Length, Optional

from trialog.records.base import TEXT_LIMIT
from trialog.records.entries import LARGEST_COUNTER, NewEntry
from trialog.records.files import file_of
from trialog.records.words import EntryKind, Reading
from trialog.web.clock import zone
from trialog.web.database import get_session
from trialog.web.fields import Between, Given, WholeField
from trialog.web.lines import LineForm

TEXT = Length(max=TEXT_LIMIT, message=f"Must be at most {TEXT_LIMIT:,} characters.")
RESETS, KEEPS = "resets", "keeps"
MINUTES = ["%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S"]


class UndoForm(LineForm):
    """Take a line back."""

    target = HiddenField(validators=[Given()])


class ReadingForm(LineForm):
    """A counter reading corrected."""

    reading = SelectField(
        "Which reading",
        choices=[SelectChoice(word.value, word.value.capitalize()) for word in Reading],
    )
    counter = WholeField(
        "What the counter read", validators=[Given(), Between(least=0, most=LARGEST_COUNTER)]
    )
    reason = StringField("How do you know", validators=[Given(), TEXT])

    def line(self, shift: str, person_id: int) -> NewEntry:
        """Return the line that the form stands for."""
        return NewEntry(
            client_id=self.client_id.data,
            kind=EntryKind.READING,
            person_id=person_id,
            shift=shift,
            reading=Reading(self.reading.data),
            counter=self.counter.data,
            reason=self.reason.data.strip(),
        )


class RevisionForm(LineForm):
    """A change to a device."""

    device = SelectField("Device", coerce=int)
    what = TextAreaField("What changed", validators=[Given(), TEXT])
    resets = RadioField(
        "Evidence so far",
        choices=[
            SelectChoice(RESETS, "Starts afresh: the change may alter how often the device fails"),
            SelectChoice(KEEPS, "Keeps counting: the change cannot matter, as written under why"),
        ],
        default=RESETS,
    )
    reason = TextAreaField("Why", validators=[TEXT])
    at = DateTimeLocalField("When", format=MINUTES, validators=[Optional()])
    file = FileField("Photo or file")
    kept = HiddenField("Photo or file")

    def validate_reason(self, field: TextAreaField) -> None:
        """Ask for a reason where the evidence is kept."""
        if self.resets.data == KEEPS and not (field.data or "").strip():
            raise ValidationError("Must be given where the evidence is kept.")

    def validate_kept(self, field: HiddenField) -> None:
        """Refuse a file that is not there."""
        if field.data and file_of(get_session(), field.data) is None:
            raise ValidationError("Choose the file once more.")

    def validate_at(self, field: DateTimeLocalField) -> None:
        """Refuse an hour that the clocks of the shop skipped."""
        if field.data is not None and from_shop_time(field.data, zone()) is None:
            raise ValidationError(f"Must exist: the clocks of {zone().key} skipped that hour.")

    def line(self, person_id: int) -> NewEntry:
        """Return the line that the form stands for; without a time it means now.

        A time typed is a whole minute. It must not stand for "now": cycles logged earlier in
        the minute would belong to the new revision.
        """
        at = None if self.at.data is None else from_shop_time(self.at.data, zone())
        keeps = self.resets.data == KEEPS
        return NewEntry(
            client_id=self.client_id.data,
            kind=EntryKind.REVISION,
            person_id=person_id,
            occurred_at=at,
            device_id=self.device.data,
            text=self.what.data.strip(),
            resets_evidence=not keeps,
            reason=(self.reason.data or "").strip(),
            photo=self.kept.data or None,
        )


def from_shop_time(typed: datetime, shop: tzinfo) -> datetime | None:
    """Return a time on the shop's clock in UTC, None where the clock skipped it.

    Of an hour that the clock ran twice, the first one is meant. At the calendar's ends, where
    UTC has no such time, it is the shop's own, for the write path to refuse.
    """
    local = typed.replace(tzinfo=shop)
    if typed.year in (MINYEAR, MAXYEAR):
        return local
    moment = local.astimezone(UTC)
    return moment if moment.astimezone(shop).replace(tzinfo=None) == typed else None
