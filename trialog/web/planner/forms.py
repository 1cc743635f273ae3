"""The form of the planner: every number that shapes a plan, all of them in the address."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import get_args

from werkzeug.datastructures import MultiDict
from wtforms import Form, SelectChoice, SelectField, ValidationError
from wtforms.validators import Optional

from trialog import reliability
from trialog.errors import shown
from trialog.evidence import equal_share
from trialog.evidence.trials import DESIGN_MARGIN
from trialog.reliability.choices import Kind
from trialog.reports.plan_comparison import Asked
from trialog.reports.words import listed
from trialog.web.fields import Between, Given, NumberField, WholeField, fraction

PERCENT = Between(above=0, below=100)
DEFAULTS = {
    "stretch_hours": "8",
    "chance": "90",
    "confidence": "95",
    "design_cycles": "",
    "cycle_seconds": "30",
    "devices": "1",
    "share": "",
    "good_pass": "90",
    "shift_hours": "8",
    "shifts": "",
    "plan": "",
}
KINDS: tuple[Kind, ...] = get_args(Kind)


class PlannerForm(Form):  # type: ignore[misc]  # wtforms has no types
    """What to plan for. Nothing is saved, so it needs no token."""

    stretch_hours = NumberField(
        "Unattended stretch", validators=[Given(), Between(above=0, most=8760)]
    )
    chance = NumberField("Chance of no stop", validators=[Given(), PERCENT])
    confidence = NumberField("Confidence", validators=[Given(), PERCENT])
    design_cycles = NumberField(
        "Design rate: one failure in", validators=[Optional(), Between(above=1, most=10**12)]
    )
    cycle_seconds = NumberField("Cycle time", validators=[Given(), Between(above=0, most=86400)])
    devices = WholeField("Devices sharing", validators=[Given(), Between(least=1, most=100)])
    share = NumberField("Share instead", validators=[Optional(), Between(above=0, most=100)])
    good_pass = NumberField("A good one passes", validators=[Given(), PERCENT])
    shift_hours = NumberField("Length of a shift", validators=[Given(), Between(above=0, most=24)])
    shifts = WholeField("Shifts we have", validators=[Optional(), Between(least=0, most=10_000)])
    plan = SelectField(
        "Staircase of",
        choices=[SelectChoice("", "the plan that suits"), *KINDS],
        validate_choice=False,
    )

    def validate_plan(self, field: SelectField) -> None:
        """Refuse a plan that there is not; wtforms finds this by its name."""
        if field.data and field.data not in KINDS:
            kinds = listed([*KINDS, "empty"], "or")
            raise ValidationError(f"Must be {kinds}, got {shown(field.data)}.")

    def asked(self) -> Asked:
        """Return what is asked for; only of a form that is valid.

        Raises
        ------
        InvalidValueError
            If the statistics refuse a number.
        """
        return Asked(
            requirement=self._requirement(),
            share=self._share(),
            good_pass=fraction(self.good_pass.data),
            shift_hours=float(self.shift_hours.data),
            shifts=self.shifts.data,
            shown=next((kind for kind in KINDS if kind == self.plan.data), None),
        )

    def _share(self) -> float:
        if self.share.data is not None:
            return fraction(self.share.data)
        return equal_share(self.devices.data)

    def _requirement(self) -> reliability.Requirement:
        hours, seconds = float(self.stretch_hours.data), float(self.cycle_seconds.data)
        chance = fraction(self.chance.data)
        if self.design_cycles.data is None:
            cycles = max(reliability.stretch_cycles(hours, seconds), 1)
            design = reliability.failure_limit(cycles, chance) / DESIGN_MARGIN
        else:
            design = float(1 / self.design_cycles.data)
        return reliability.Requirement(
            stretch_hours=hours,
            cycle_seconds=seconds,
            chance=chance,
            confidence=fraction(self.confidence.data),
            design_rate=design,
        )

    def check_together(self, asked: Asked) -> None:
        """Refuse numbers that are sound each alone but not together, in the terms as typed."""
        limit = asked.requirement.cell_limit
        if self.design_cycles.data is not None and asked.requirement.design_rate >= limit:
            cycles = math.floor(1 / limit)
            self.design_cycles.errors = [
                f"Must be at least {cycles + 1:,}: the limit is one failure in {cycles:,} cycles, "
                "and what is good must fail more rarely; got "
                f"{self.design_cycles.raw_data[0].strip()}."
            ]
        left = 100 - self.confidence.data
        if self.good_pass.data <= left:
            self.good_pass.errors = [
                f"Must be above {left:f}, which is what a bad one passes with at "
                f"{self.confidence.data:f} % confidence; got {self.good_pass.raw_data[0].strip()}."
            ]


def read_form(arguments: Mapping[str, str]) -> PlannerForm:
    """Return the form that an address states; what it leaves out has its default."""
    stated = {name: arguments.get(name, default) for name, default in DEFAULTS.items()}
    return PlannerForm(MultiDict(stated))


def query_of(stated: reliability.Requirement, devices: int) -> dict[str, str]:
    """Return the address's numbers for a requirement that a cell's devices share equally."""
    return {
        "stretch_hours": f"{stated.stretch_hours:g}",
        "chance": f"{100 * stated.chance:.10g}",
        "confidence": f"{100 * stated.confidence:.10g}",
        "design_cycles": f"{1 / stated.design_rate:.10g}",
        "cycle_seconds": f"{stated.cycle_seconds:.10g}",
        "devices": str(max(devices, 1)),
    }
