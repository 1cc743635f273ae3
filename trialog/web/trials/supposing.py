"""What if: a question to a trial, answered beside how it stands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from flask import make_response, render_template, request
from werkzeug.wrappers import Response

from trialog.errors import InvalidValueError, TrialogError
from trialog.evidence import judge
from trialog.evidence.what_if import MOST_FAILURES, Supposed, what_if
from trialog.records.database import unit_of_work
from trialog.records.models import FailureMode, Trial
from trialog.records.people import Action
from trialog.reports.before_after import BeforeAfter, compare_verdicts
from trialog.reports.failures import FailureLine, Ruling
from trialog.web.clock import zone
from trialog.web.database import get_or_404, get_session
from trialog.web.saving import place_error
from trialog.web.security import allowed
from trialog.web.trials import bp
from trialog.web.trials.forms import NON_RELEVANT, RELEVANT
from trialog.web.trials.reviewing import key_of, review
from trialog.web.trials.ruling_forms import WhatIfForm

MOST_LISTED = 200
"""Failures that can be ruled on in a question: those without a ruling, then the newest."""


@dataclass(frozen=True)
class Asked:
    """A question as it was typed: failures by mode, rulings by failure."""

    failures: dict[int, str]
    rulings: dict[str, str]


@bp.get("/trials/<int:trial_id>/what-if")
@allowed(Action.READ)
def ask_what_if(trial_id: int) -> Response:
    """Show the form of a question."""
    return _page(get_or_404(Trial, trial_id), WhatIfForm(formdata=None))


@bp.post("/trials/<int:trial_id>/what-if")
@allowed(Action.READ)
def answer_what_if(trial_id: int) -> Response:
    """Answer a question, and leave the record as it is."""
    trial, form = get_or_404(Trial, trial_id), WhatIfForm()
    if not form.validate_on_submit():
        return _page(trial, form)
    try:
        answer = _answer(trial, form, _asked(trial))
    except TrialogError as error:
        place_error(form, {"clean cycles": "clean_cycles", "cycles": "clean_cycles"}, error)
        return _page(trial, form)
    return _page(trial, form, answer)


def _answer(trial: Trial, form: WhatIfForm, asked: Asked) -> BeforeAfter:
    session = get_session()
    before = judge(session, trial)
    with unit_of_work(session):
        after = what_if(
            session,
            trial,
            clean_cycles=form.clean_cycles.data or 0,
            failures=_failures(trial, asked),
            rulings=_rulings(asked),
        )
    return compare_verdicts(before, after)


def _asked(trial: Trial) -> Asked:
    typed = request.form
    return Asked(
        failures={mode.id: typed.get(f"mode-{mode.id}", "").strip() for mode in modes_of(trial)},
        rulings={
            key.removeprefix("ruling-"): said
            for key, said in typed.items()
            if key.startswith("ruling-") and said
        },
    )


def _failures(trial: Trial, asked: Asked) -> list[int]:
    """Return a mode for each failure that is supposed."""
    supposed: list[int] = []
    for mode in modes_of(trial):
        typed = asked.failures[mode.id] or "0"
        if not (typed.isascii() and typed.isdigit() and len(typed) <= len(str(MOST_FAILURES))):
            rule = f"be a whole number from 0 to {MOST_FAILURES}"
            raise InvalidValueError(f"failures of {mode.name!r}", rule, typed)
        supposed += [mode.id] * int(typed)
    return supposed


def _rulings(asked: Asked) -> list[Supposed]:
    supposed: list[Supposed] = []
    for key, said in asked.rulings.items():
        mode_id, _, entry = key.partition("/")
        if said not in {RELEVANT, NON_RELEVANT} or not mode_id.isdecimal() or len(mode_id) > 9:
            raise InvalidValueError("ruling", f"be {RELEVANT} or {NON_RELEVANT}", said)
        supposed.append((entry, int(mode_id), said == RELEVANT))
    return supposed


def modes_of(trial: Trial) -> Sequence[FailureMode]:
    """Return the failure modes that bear on a trial: its device's, or all of the cell."""
    modes = [mode for mode in trial.cell.modes if trial.device_id in (None, mode.device_id)]
    return sorted(modes, key=lambda mode: (mode.device.name, mode.name))


def _page(trial: Trial, form: WhatIfForm, answer: BeforeAfter | None = None) -> Response:
    found = review(trial)
    page = render_template(
        "trials/what_if.html",
        trial=trial,
        form=form,
        asked=_asked(trial),
        answer=answer,
        now=found.verdict,
        modes=modes_of(trial),
        lines=_listed(found.found),
        more=max(0, len(found.lines) - MOST_LISTED),
        key_of=key_of,
        clock=zone(),
    )
    return make_response(page, 422 if form.errors else 200)


def _listed(lines: Sequence[FailureLine]) -> list[FailureLine]:
    """Return the failures to be ruled on in a question: unruled first, then newest first."""
    unruled = [line for line in lines if line.ruling is Ruling.UNRULED]
    ruled = [line for line in lines if line.ruling is not Ruling.UNRULED]
    return [*unruled, *reversed(ruled)][:MOST_LISTED]
