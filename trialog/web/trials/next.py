"""Starting a trial that goes on from a former one: the next stage, or the same again."""

from __future__ import annotations

from collections.abc import Sequence

from flask import flash, redirect, url_for
from sqlalchemy import select
from sqlalchemy.orm import Session
from werkzeug.wrappers import Response
from wtforms import SelectChoice, SelectField

from trialog import evidence
from trialog.evidence import Verdict, judge
from trialog.evidence.following import suggested_name, suggested_stage
from trialog.records.models import Cell, Device, Requirement, Trial
from trialog.records.people import Action
from trialog.records.words import Stage
from trialog.reports.chain import other_trial
from trialog.web.clock import now
from trialog.web.database import get_or_404, get_session
from trialog.web.identity import current_person
from trialog.web.noting import note_change
from trialog.web.saving import form_page, save
from trialog.web.security import allowed
from trialog.web.setup.readiness_forms import TrialForm
from trialog.web.setup.readiness_views import TRIAL_FIELDS, wants_to_save, work_out_trial
from trialog.web.trials import bp


class NextTrialForm(TrialForm):
    """A trial of the same subject as a former one; see `go_on_from`."""

    subject = None
    requirement = SelectField("Requirement", coerce=int)
    former: Trial

    def go_on_from(self, former: Trial, requirements: Sequence[Requirement]) -> None:
        """Take the former trial's subject, and offer its cell's requirements."""
        self.former = former
        self.requirement.choices = [SelectChoice(one.id, one.name) for one in requirements]

    def device(self, _cell: Cell) -> Device | None:
        """Return the former trial's device; None for the whole cell."""
        return self.former.device


@bp.route("/trials/<int:trial_id>/next", methods=["GET", "POST"])
@allowed(Action.SET_UP)
def next_trial(trial_id: int) -> Response:
    """Plan a trial that goes on from another one."""
    former, session = get_or_404(Trial, trial_id), get_session()
    cell, verdict = get_or_404(Cell, former.cell_id), judge(session, former)
    asked = select(Requirement).where(Requirement.cell_id == cell.id).order_by(Requirement.id)
    form = NextTrialForm(data=_prefilled(session, verdict))
    form.go_on_from(former, session.scalars(asked).all())
    preview = None
    if form.validate_on_submit():
        requirement = session.get_one(Requirement, form.requirement.data)
        preview = work_out_trial(form, requirement, cell)
        if preview is not None and wants_to_save():
            added = save(form, TRIAL_FIELDS, lambda one: _start(one, former, requirement, form))
            if added is not None:
                note_change(cell, actor=current_person())
                flash("The next trial has begun; nothing of the former one counts for it.", "good")
                return redirect(url_for("trials.show", trial_id=added))
    return form_page(
        "trials/next.html", form,
        former=former, verdict=verdict, told=other_trial(verdict), preview=preview, cell=cell,
    )  # fmt: skip


def _prefilled(session: Session, verdict: Verdict) -> dict[str, object]:
    """Return what the form shows at first: the former trial's rules, and its next stage."""
    former, stage = verdict.evidence.trial, suggested_stage(verdict)
    return {
        "name": suggested_name(session, former, stage),
        "stage": stage.value,
        "requirement": former.requirement_id,
        "plan_kind": former.plan_kind.value,
        "good_pass": None if former.good_pass is None else former.good_pass * 100,
        "share": former.share * 100,
    }


def _start(session: Session, former: Trial, requirement: Requirement, form: NextTrialForm) -> int:
    cell = session.get_one(Cell, former.cell_id)
    trial = evidence.start_trial(
        session,
        requirement,
        name=form.name.data,
        stage=Stage(form.stage.data),
        plan_kind=form.kind(),
        device=former.device,
        share=form.share_beside(cell, former.share),
        good_pass=form.good_pass_chance(),
        follows=former,
        actor=current_person(),
        now=now(),
    )
    return trial.id
