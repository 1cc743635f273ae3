"""The forms about several failures at once, and about what would be if."""

from __future__ import annotations

from typing import Any

from flask_wtf import FlaskForm
from wtforms import HiddenField, SelectChoice, SelectField, StringField, TextAreaField
from wtforms.validators import AnyOf, Length

from trialog.records.base import TEXT_LIMIT
from trialog.records.entries import NewEntry
from trialog.records.words import EntryKind, RulingCause
from trialog.reports.failures import FailureLine
from trialog.web.fields import WholeField
from trialog.web.lines import LineForm
from trialog.web.trials.forms import NON_RELEVANT, RELEVANT

TAKE_BACK = "take back"
DECISIONS = (RELEVANT, NON_RELEVANT, TAKE_BACK)


class SeveralForm(LineForm):
    """One ruling on several failures, or several rulings taken back."""

    decision = StringField("Decision", validators=[AnyOf(DECISIONS, "Must be picked.")])
    seen = HiddenField()
    typed = WholeField("How many failures leave the count")
    cause = SelectField(
        "Cause",
        choices=[SelectChoice("", "no cause given"), *(word.value for word in RulingCause)],
        default="",
    )
    words = TextAreaField("In words", validators=[Length(max=TEXT_LIMIT)])

    def lines(self, picked: list[FailureLine], person_id: int) -> list[NewEntry]:
        """Return the lines that the form stands for, an id for each made out of the form's own."""
        made = self._undone(picked) if self.decision.data == TAKE_BACK else self._ruled(picked)
        return [
            NewEntry(client_id=f"{self.client_id.data}.{place}", person_id=person_id, **fields)
            for place, fields in enumerate(made, start=1)
        ]

    def _ruled(self, picked: list[FailureLine]) -> list[dict[str, Any]]:
        return [
            {
                "kind": EntryKind.RULING,
                "target": line.entry,
                "failure_mode_id": line.mode_id,
                "relevant": self.decision.data == RELEVANT,
                "cause": RulingCause(self.cause.data) if self.cause.data else None,
                "reason": (self.words.data or "").strip(),
            }
            for line in picked
        ]

    def _undone(self, picked: list[FailureLine]) -> list[dict[str, Any]]:
        words = (self.words.data or "").strip()
        return [
            {"kind": EntryKind.UNDO, "target": ruling, "reason": words}
            for ruling in rulings_of(picked)
        ]


def rulings_of(lines: list[FailureLine]) -> list[str]:
    """Return the rulings in force on failures: one may be on several modes of a cycle."""
    return list(dict.fromkeys(line.ruling_entry for line in lines if line.ruling_entry))


class WhatIfForm(FlaskForm):  # type: ignore[misc]  # flask_wtf has no types
    """A question; the failures by mode and the rulings are fields made for each trial."""

    clean_cycles = WholeField("Clean cycles more")
