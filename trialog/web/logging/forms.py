"""The form that opens a shift."""

from __future__ import annotations

from wtforms import BooleanField, RadioField, SelectChoice, StringField
from wtforms.validators import Length, Optional

from trialog.records.base import NAME_LIMIT
from trialog.records.entries import LARGEST_COUNTER
from trialog.records.words import Stage
from trialog.web.fields import Between, Given, WholeField
from trialog.web.lines import LineForm
from trialog.web.logging.opening import Opening


class OpenShiftForm(LineForm):
    """A shift's opening. The client id is made with the page, so that a second press of the
    button, or a reload after a lost answer, opens nothing twice."""

    label = StringField(
        "Name of this shift",
        validators=[
            Given(),
            Length(max=NAME_LIMIT, message=f"Must be at most {NAME_LIMIT} characters."),
        ],
    )
    stage = RadioField(
        "Who loads the machine",
        choices=[
            SelectChoice(Stage.BY_HAND.value, "By hand"),
            SelectChoice(Stage.ROBOT_ATTENDED.value, "Robot, attended"),
            SelectChoice(Stage.UNATTENDED.value, "Unattended"),
        ],
        default=Stage.BY_HAND.value,
    )
    counter = WholeField(
        "Machine counter now", validators=[Optional(), Between(least=0, most=LARGEST_COUNTER)]
    )
    cold_start = BooleanField("Cold start: the machine stood before this shift")
    new_lot = BooleanField("New material lot")
    lot = StringField(
        "Name of the lot",
        validators=[
            Optional(),
            Length(max=NAME_LIMIT, message=f"Must be at most {NAME_LIMIT} characters."),
        ],
    )

    def opening(self) -> Opening:
        """Return what was filled in; a lot with a name is a new lot, ticked or not."""
        lot = (self.lot.data or "").strip()
        return Opening(
            client_id=self.client_id.data,
            label=self.label.data.strip(),
            stage=Stage(self.stage.data),
            counter=self.counter.data,
            cold_start=self.cold_start.data,
            material_lot=lot if lot or self.new_lot.data else None,
        )
