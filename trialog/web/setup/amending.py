"""Changing a requirement or a trial, which goes until the first counted cycle."""

from __future__ import annotations

from dataclasses import replace

from flask import flash, make_response, redirect, render_template, request, url_for
from sqlalchemy.orm import Session
from werkzeug.wrappers import Response

from trialog import evidence
from trialog.evidence import fixing
from trialog.records.models import Cell, Requirement, Trial
from trialog.records.people import Action
from trialog.records.setup import NewRequirement
from trialog.records.trials import counting, first_counted
from trialog.records.words import Stage
from trialog.web.clock import now
from trialog.web.database import get_or_404, get_session
from trialog.web.identity import current_person
from trialog.web.noting import note_change
from trialog.web.saving import form_page, save
from trialog.web.security import allowed
from trialog.web.setup import bp
from trialog.web.setup.readiness_forms import CONDITIONS, WHOLE_CELL, RequirementForm, TrialForm
from trialog.web.setup.readiness_views import (
    REQUIREMENT_FIELDS,
    TRIAL_FIELDS,
    wants_to_save,
    work_out_requirement,
    work_out_trial,
)


@bp.route("/requirements/<int:requirement_id>/edit", methods=["GET", "POST"])
@allowed(Action.SET_UP)
def edit_requirement(requirement_id: int) -> Response:
    """Change what "ready" means, before a cycle counts by it."""
    requirement = get_or_404(Requirement, requirement_id)
    cell = get_or_404(Cell, requirement.cell_id)
    under = counting(get_session(), requirement)
    if under is not None:
        return _fixed(cell, requirement.name, under)
    form = RequirementForm(data=_shown(requirement))
    preview = None
    if form.validate_on_submit():
        preview = work_out_requirement(form, cell)
        if preview is not None and wants_to_save():
            new = _kept_where_untouched(form, requirement, form.new_requirement(cell))
            if save(form, REQUIREMENT_FIELDS, lambda one: _restate(one, requirement, new)):
                note_change(cell, actor=current_person())
                flash("Saved. Trials of this requirement are planned anew.", "good")
                return redirect(url_for("setup.cell", cell_id=cell.id))
    return form_page(
        "setup/requirement.html", form, cell=cell, preview=preview, editing=requirement
    )


def _restate(session: Session, requirement: Requirement, new: NewRequirement) -> bool:
    fixing.change_requirement(session, requirement, new, actor=current_person(), now=now())
    return True


def _shown(requirement: Requirement) -> dict[str, object]:
    """Return what the form's fields show of a requirement."""
    return {
        "name": requirement.name,
        "stretch_hours": requirement.stretch_hours,
        "chance": requirement.chance * 100,
        "confidence": requirement.confidence * 100,
        "design_cycles": 1 / requirement.design_rate,
        "sign_roles": requirement.sign_roles,
        **{name: getattr(requirement, name) for name in CONDITIONS},
    }


def _kept_where_untouched(
    form: RequirementForm, requirement: Requirement, new: NewRequirement
) -> NewRequirement:
    """Keep each number that was sent back as it was shown: the form shows six digits of it."""
    blank = RequirementForm(formdata=None, data=_shown(requirement))
    columns = {
        "stretch_hours": "stretch_hours", "chance": "chance", "confidence": "confidence",
        "design_cycles": "design_rate",
    }  # fmt: skip
    kept = {
        column: getattr(requirement, column)
        for field, column in columns.items()
        if form[field]._value() == blank[field]._value()
    }
    return replace(new, **kept)


@bp.route("/trials/<int:trial_id>/edit", methods=["GET", "POST"])
@allowed(Action.SET_UP)
def edit_trial(trial_id: int) -> Response:
    """Change how readiness is to be shown, before a cycle counts for it."""
    trial = get_or_404(Trial, trial_id)
    requirement, cell = trial.requirement, get_or_404(Cell, trial.cell_id)
    if first_counted(get_session(), trial) is not None:
        return _fixed(cell, trial.name, trial)
    form = TrialForm(data=_stated(trial))
    form.offer(cell)
    preview = None
    if form.validate_on_submit():
        preview = work_out_trial(form, requirement, cell)
        if preview is not None and wants_to_save():
            fields = TRIAL_FIELDS | {"former trial": "subject"}
            if save(form, fields, lambda session: _replan(session, trial, form)):
                note_change(cell, actor=current_person())
                flash("Saved. The plan is worked out anew.", "good")
                return redirect(url_for("trials.show", trial_id=trial_id))
    return form_page(
        "setup/trial.html", form,
        cell=cell, requirement=requirement, preview=preview, cautions=evidence.CAUTIONS,
        stated=evidence.statistics_of(requirement), editing=trial,
    )  # fmt: skip


def _stated(trial: Trial) -> dict[str, object]:
    return {
        "name": trial.name,
        "subject": WHOLE_CELL if trial.device_id is None else str(trial.device_id),
        "stage": trial.stage.value,
        "plan_kind": trial.plan_kind.value,
        "good_pass": None if trial.good_pass is None else trial.good_pass * 100,
        "share": trial.share * 100,
    }


def _replan(session: Session, trial: Trial, form: TrialForm) -> bool:
    cell = session.get_one(Cell, trial.cell_id)
    fixing.change_trial(
        session,
        trial,
        name=form.name.data,
        stage=Stage(form.stage.data),
        plan_kind=form.kind(),
        device=form.device(cell),
        share=form.share_beside(cell, trial.share),
        good_pass=form.good_pass_chance(),
        actor=current_person(),
        now=now(),
    )
    return True


def _fixed(cell: Cell, name: str, counts: Trial) -> Response:
    """Say that the rules are fixed, and where to go on."""
    page = render_template("setup/fixed.html", cell=cell, name=name, trial=counts)
    return make_response(page, 409 if request.method == "POST" else 200)
