"""The forms of setting up: cells, devices, failure modes."""

from __future__ import annotations

from typing import Any

from flask_wtf import FlaskForm
from wtforms import BooleanField, SelectField, StringField
from wtforms.validators import Length, Optional

from trialog.records.base import NAME_LIMIT
from trialog.records.setup import DEFAULT_MODES, LONGEST_CYCLE_SECONDS
from trialog.records.words import Effect
from trialog.web.fields import Between, Given, NumberField, WholeField

EFFECTS = [effect.value for effect in Effect]
MODES_AT_ONCE = 3
NAMED = [Given(), Length(max=NAME_LIMIT, message=f"Must be at most {NAME_LIMIT} characters.")]
UNNAMED = [Optional(), NAMED[1]]


class CellForm(FlaskForm):  # type: ignore[misc]  # flask_wtf has no types
    """A cell's particulars."""

    name = StringField("Cell name", validators=NAMED)
    machine = StringField("Machine", validators=NAMED)
    part = StringField("Part", validators=NAMED)
    operation = StringField("Operation", validators=NAMED)
    cycle_seconds = NumberField(
        "Planned cycle time",
        validators=[Given(), Between(above=0, most=LONGEST_CYCLE_SECONDS)],
    )
    counter_modulus = WholeField(
        "Counter restarts after", validators=[Optional(), Between(least=2, most=10**12)]
    )

    good_by_machine = BooleanField("The machine counts the good cycles")

    def particulars(self) -> dict[str, Any]:
        """Return the columns of the cell."""
        return {
            "name": self.name.data,
            "machine": self.machine.data,
            "part": self.part.data,
            "operation": self.operation.data,
            "planned_cycle_seconds": float(self.cycle_seconds.data),
            "counter_modulus": self.counter_modulus.data,
            "good_by_machine": self.good_by_machine.data,
        }


class NewCellForm(CellForm):
    """A new cell, with a device for each of the usual failure modes."""

    def mode_rows(self) -> list[tuple[str, Effect, Any]]:
        """Return each default failure mode with its effect and the field for its device."""
        return [
            (name, effect, self[f"device_{index}"])
            for index, (name, effect) in enumerate(DEFAULT_MODES)
        ]

    def devices(self) -> dict[str, list[tuple[str, Effect]]]:
        """Return the failure modes by device; a device may be named for several."""
        named: dict[str, list[tuple[str, Effect]]] = {}
        for mode, effect, field in self.mode_rows():
            if device := (field.data or "").strip():
                named.setdefault(device, []).append((mode, effect))
        return named


for _index, (_mode, _effect) in enumerate(DEFAULT_MODES):
    setattr(
        NewCellForm, f"device_{_index}", StringField(f"Device against: {_mode}", validators=UNNAMED)
    )


class DeviceForm(FlaskForm):  # type: ignore[misc]  # flask_wtf has no types
    """A device's name."""

    name = StringField("Device", validators=NAMED)


class NewDeviceForm(DeviceForm):
    """A device with up to three of its failure modes."""

    def mode_rows(self) -> list[tuple[Any, Any]]:
        """Return the fields of each failure mode: name and effect."""
        return [(self[f"mode_{row}"], self[f"effect_{row}"]) for row in range(1, MODES_AT_ONCE + 1)]

    def modes(self) -> list[tuple[str, Effect]]:
        """Return the failure modes that were filled in."""
        return [
            (name.data, Effect(effect.data))
            for name, effect in self.mode_rows()
            if (name.data or "").strip()
        ]


for _row in range(1, MODES_AT_ONCE + 1):
    setattr(NewDeviceForm, f"mode_{_row}", StringField(f"Failure mode {_row}", validators=UNNAMED))
    setattr(NewDeviceForm, f"effect_{_row}", SelectField(f"Effect {_row}", choices=EFFECTS))


class ModeForm(FlaskForm):  # type: ignore[misc]  # flask_wtf has no types
    """A failure mode."""

    name = StringField("Failure mode", validators=NAMED)
    effect = SelectField("Effect", choices=EFFECTS)
