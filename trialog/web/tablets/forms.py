"""The form that lets a tablet in."""

from __future__ import annotations

from collections.abc import Sequence

from flask_wtf import FlaskForm
from wtforms import SelectChoice, SelectField, StringField
from wtforms.validators import Length

from trialog.records.base import NAME_LIMIT
from trialog.records.models import Cell
from trialog.web.fields import Given

NO_CELL = "0"


class TabletForm(FlaskForm):  # type: ignore[misc]  # flask_wtf has no types
    """A tablet's name, and the cell it stands at."""

    name = StringField("Name of the tablet", validators=[Given(), Length(max=NAME_LIMIT)])
    cell = SelectField("Cell it stands at", default=NO_CELL)

    def offer(self, cells: Sequence[Cell]) -> None:
        """Offer these cells, or none in particular."""
        self.cell.choices = [
            SelectChoice(NO_CELL, "None in particular: it asks"),
            *(SelectChoice(str(cell.id), cell.name) for cell in cells),
        ]

    def chosen(self, cells: Sequence[Cell]) -> Cell | None:
        """Return the cell that was chosen."""
        return next((cell for cell in cells if str(cell.id) == self.cell.data), None)
