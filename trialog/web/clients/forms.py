"""The forms about clients."""

from __future__ import annotations

from collections.abc import Sequence

from flask_wtf import FlaskForm
from wtforms import SelectChoice, SelectField, SelectMultipleField, StringField
from wtforms.validators import Length, ValidationError
from wtforms.widgets import CheckboxInput, ListWidget

from trialog.records.base import NAME_LIMIT
from trialog.records.clients import LONGEST_LIFE, USUAL_LIFE
from trialog.records.models import Cell, Person
from trialog.records.words import Scope
from trialog.web.fields import Between, Given, WholeField

NO_CELL = "0"

SCOPES = {
    Scope.READ: "read: the records and the reports",
    Scope.LOG: "log: write lines into the logbook",
    Scope.COUNT: "count: send the machine counter's readings",
    Scope.METRICS: "metrics: how the server itself is",
}


def _choices(people: Sequence[Person]) -> list[SelectChoice]:
    return [SelectChoice(str(person.id), f"{person.name} ({person.role})") for person in people]


class RenameForm(FlaskForm):  # type: ignore[misc]  # flask_wtf has no types
    """A client's name."""

    name = StringField("Name of the client", validators=[Given(), Length(max=NAME_LIMIT)])


class ClientForm(RenameForm):
    """A client's name, who answers for it, and the cell that it is for."""

    responsible = SelectField("Who answers for it")
    cell = SelectField("Cell it is for", default=NO_CELL)

    def offer(self, people: Sequence[Person], cells: Sequence[Cell]) -> None:
        """Offer these people and cells."""
        self.responsible.choices = _choices(people)
        self.cell.choices = [
            SelectChoice(NO_CELL, "All cells"),
            *(SelectChoice(str(cell.id), cell.name) for cell in cells),
        ]


class HandOverForm(FlaskForm):  # type: ignore[misc]  # flask_wtf has no types
    """Who answers for a client from now on."""

    responsible = SelectField("Who answers for it from now on")

    def offer(self, people: Sequence[Person]) -> None:
        """Offer these people."""
        self.responsible.choices = _choices(people)


def _ticked(_form: FlaskForm, field: SelectMultipleField) -> None:
    """Refuse boxes of which none is ticked, before the records do in a program's words."""
    if not field.data:
        raise ValidationError("Tick at least one: a token that opens nothing is of no use.")


class TokenForm(FlaskForm):  # type: ignore[misc]  # flask_wtf has no types
    """What a token opens, and for how long."""

    scopes = SelectMultipleField(
        "What it opens",
        choices=[SelectChoice(scope.value, words) for scope, words in SCOPES.items()],
        validators=[_ticked],
        widget=ListWidget(prefix_label=False),
        option_widget=CheckboxInput(),
    )
    days = WholeField(
        "Valid for",
        default=USUAL_LIFE.days,
        validators=[Given(), Between(least=1, most=LONGEST_LIFE.days)],
    )
