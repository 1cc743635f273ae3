"""The forms that say what "ready" means and how it is to be shown: requirement and trial."""

from __future__ import annotations

import math

from flask_wtf import FlaskForm
from wtforms import SelectChoice, SelectField, SelectMultipleField, StringField
from wtforms.validators import InputRequired, Optional
from wtforms.widgets import CheckboxInput, ListWidget

from trialog import reliability
from trialog.evidence import equal_share
from trialog.evidence.trials import DESIGN_MARGIN
from trialog.records.models import Cell, Device
from trialog.records.models.setup import default_sign_roles
from trialog.records.people import SIGNING_ROLES
from trialog.records.setup import NewRequirement
from trialog.records.words import PlanKind, Role, Stage
from trialog.web.fields import Between, Given, NumberField, WholeField, fraction
from trialog.web.setup.forms import NAMED

WHOLE_CELL = ""
PERCENT = Between(above=0, below=100)
CONDITIONS = (
    "min_shifts", "min_operators", "min_cold_starts", "min_material_lots", "min_tool_changes",
)  # fmt: skip


def _least(words: str) -> WholeField:
    return WholeField(words, default=0, validators=[Given(), Between(least=0, most=1000)])


class RequirementForm(FlaskForm):  # type: ignore[misc]  # flask_wtf has no types
    """What "ready" means."""

    name = StringField("Name", validators=NAMED)
    stretch_hours = NumberField(
        "Unattended stretch", validators=[Given(), Between(above=0, most=8760)]
    )
    chance = NumberField("Chance of no stop", default=90, validators=[Given(), PERCENT])
    confidence = NumberField(
        "Confidence", default=95, validators=[Given(), Between(least=60, most=99.9999)]
    )
    design_cycles = NumberField(
        "Design rate: one failure in", validators=[Optional(), Between(above=1, most=10**12)]
    )
    min_shifts = _least("Shifts")
    min_operators = _least("Operators")
    min_cold_starts = _least("Cold starts")
    min_material_lots = _least("Material lots")
    min_tool_changes = _least("Tool changes")
    sign_roles = SelectMultipleField(
        "Who must sign a GO",
        choices=[role.value for role in SIGNING_ROLES],
        default=default_sign_roles,
        widget=ListWidget(prefix_label=False),
        option_widget=CheckboxInput(),
        validators=[InputRequired("Tick at least one.")],
    )

    def stated(self, cell: Cell) -> reliability.Requirement:
        """Return the requirement as the statistics know it."""
        hours, chance = float(self.stretch_hours.data), fraction(self.chance.data)
        if self.design_cycles.data is None:
            cycles = reliability.stretch_cycles(hours, cell.planned_cycle_seconds)
            design = reliability.failure_limit(max(cycles, 1), chance) / DESIGN_MARGIN
        else:
            design = float(1 / self.design_cycles.data)
        return reliability.Requirement(
            stretch_hours=hours,
            cycle_seconds=cell.planned_cycle_seconds,
            chance=chance,
            confidence=fraction(self.confidence.data),
            design_rate=design,
        )

    def check_design(self, cell: Cell) -> None:
        """Refuse a design rate that is not below the limit, in the terms it was typed in."""
        if self.design_cycles.data is None:
            return
        stated = self.stated(cell)
        if stated.design_rate >= stated.cell_limit:
            cycles = math.floor(1 / stated.cell_limit)
            problem = (
                f"Must be at least {cycles + 1:,}: the limit is one failure in {cycles:,} cycles, "
                "and a cell at the design rate must be better; got "
                f"{self.design_cycles.raw_data[0]}."
            )
            self.design_cycles.errors = [problem]

    def new_requirement(self, cell: Cell) -> NewRequirement:
        """Return the requirement as the records take it."""
        stated = self.stated(cell)
        return NewRequirement(
            name=self.name.data,
            stretch_hours=stated.stretch_hours,
            chance=stated.chance,
            confidence=stated.confidence,
            design_rate=stated.design_rate,
            **{name: self[name].data for name in CONDITIONS},
            sign_roles=tuple(Role(role) for role in self.sign_roles.data),
        )


class TrialForm(FlaskForm):  # type: ignore[misc]  # flask_wtf has no types
    """How one device, or the whole cell, is to show it."""

    name = StringField("Trial name", validators=NAMED)
    subject = SelectField("What is under trial")
    stage = SelectField("Stage", choices=[stage.value for stage in Stage])
    plan_kind = SelectField("Plan", choices=[kind.value for kind in PlanKind])
    good_pass = NumberField(
        "Chance that a good device passes", default=90, validators=[Optional(), PERCENT]
    )
    share = NumberField(
        "Share of the cell's allowance", validators=[Optional(), Between(above=0, most=100)]
    )

    def offer(self, cell: Cell) -> None:
        """Offer the cell's devices, and the cell as a whole."""
        devices = [SelectChoice(str(device.id), device.name) for device in cell.devices]
        self.subject.choices = [*devices, SelectChoice(WHOLE_CELL, "whole cell")]

    def device(self, cell: Cell) -> Device | None:
        """Return the device under trial; None for the whole cell."""
        return next((one for one in cell.devices if str(one.id) == self.subject.data), None)

    def share_of(self, cell: Cell) -> float:
        """Return the share as typed, else an equal one for each device and all for the cell."""
        if self.share.data is not None:
            return fraction(self.share.data)
        return equal_share(1 if self.device(cell) is None else len(cell.devices))

    def share_beside(self, cell: Cell, before: float) -> float:
        """Return the share, or the one before where nobody changed the digits that are shown."""
        share = self.share_of(cell)
        return before if f"{share:g}" == f"{before:g}" else share

    def good_pass_chance(self) -> float | None:
        """Return the chance that shapes a plan; a zero-failure plan has none."""
        if self.kind() is PlanKind.ZERO_FAILURE or self.good_pass.data is None:
            return None
        return fraction(self.good_pass.data)

    def kind(self) -> PlanKind:
        """Return the kind of plan."""
        return PlanKind(self.plan_kind.data)
