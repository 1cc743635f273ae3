"""Requirements and trials: worked out and shown in words first, then saved."""

from __future__ import annotations

from flask import flash, redirect, request, url_for
from sqlalchemy.orm import Session
from werkzeug.wrappers import Response

from trialog import evidence
from trialog.errors import InvalidValueError
from trialog.records.models import Cell, Requirement
from trialog.records.people import Action
from trialog.records.words import Stage
from trialog.web.clock import now
from trialog.web.database import get_or_404
from trialog.web.identity import current_person
from trialog.web.noting import note_change
from trialog.web.saving import form_page, place_error, save
from trialog.web.security import allowed
from trialog.web.setup import bp
from trialog.web.setup.previews import (
    RequirementPreview,
    TrialPreview,
    preview_requirement,
    preview_trial,
)
from trialog.web.setup.readiness_forms import CONDITIONS, RequirementForm, TrialForm

SAVE = "save"
"""What the button that saves sends; the other one only works things out."""

REQUIREMENT_FIELDS = {
    "requirement": "name",
    "stretch_hours": "stretch_hours",
    "hours": "stretch_hours",
    "chance": "chance",
    "confidence": "confidence",
    "design rate": "design_cycles",
    "design_rate": "design_cycles",
    "design": "design_cycles",
} | {name: name for name in CONDITIONS}
TRIAL_FIELDS = {
    "trial": "name",
    "share": "share",
    "good_pass": "good_pass",
    "design": "good_pass",
}


def wants_to_save() -> bool:
    """Say whether the button that saves was pressed."""
    return request.form.get("step") == SAVE


@bp.route("/cells/<int:cell_id>/requirements/new", methods=["GET", "POST"])
@allowed(Action.SET_UP)
def new_requirement(cell_id: int) -> Response:
    """Say what "ready" means for a cell."""
    cell = get_or_404(Cell, cell_id)
    form = RequirementForm()
    preview = None
    if form.validate_on_submit():
        preview = work_out_requirement(form, cell)
        if preview is not None and wants_to_save():
            added = save(form, REQUIREMENT_FIELDS, lambda session: _define(session, cell, form))
            if added is not None:
                flash("The requirement is fixed. Next: plan a trial for it.", "good")
                return redirect(url_for("setup.new_trial", requirement_id=added))
    return form_page("setup/requirement.html", form, cell=cell, preview=preview)


def work_out_requirement(form: RequirementForm, cell: Cell) -> RequirementPreview | None:
    """Say what a requirement means, or tell the form why it cannot be."""
    try:
        form.check_design(cell)
        if form.errors:
            return None
        return preview_requirement(form.stated(cell), len(cell.devices))
    except InvalidValueError as error:
        place_error(form, REQUIREMENT_FIELDS, error)
        return None


def _define(session: Session, cell: Cell, form: RequirementForm) -> int:
    new = form.new_requirement(cell)
    added = evidence.define_requirement(session, cell, new, actor=current_person(), now=now())
    return added.id


@bp.route("/requirements/<int:requirement_id>/trials/new", methods=["GET", "POST"])
@allowed(Action.SET_UP)
def new_trial(requirement_id: int) -> Response:
    """Plan a trial: of one device or of the whole cell."""
    requirement = get_or_404(Requirement, requirement_id)
    cell = get_or_404(Cell, requirement.cell_id)
    form = TrialForm()
    form.offer(cell)
    preview = None
    if form.validate_on_submit():
        preview = work_out_trial(form, requirement, cell)
        if preview is not None and wants_to_save():
            added = save(form, TRIAL_FIELDS, lambda session: _start(session, requirement, form))
            if added is not None:
                note_change(cell, actor=current_person())
                flash("The trial has begun; its plan is fixed.", "good")
                return redirect(url_for("setup.cell", cell_id=cell.id))
    return form_page(
        "setup/trial.html", form,
        cell=cell, requirement=requirement, preview=preview, cautions=evidence.CAUTIONS,
        stated=evidence.statistics_of(requirement),
    )  # fmt: skip


def work_out_trial(form: TrialForm, requirement: Requirement, cell: Cell) -> TrialPreview | None:
    """Say what a trial's plan asks for, or tell the form why there is none."""
    device = form.device(cell)
    try:
        return preview_trial(
            evidence.statistics_of(requirement),
            form.kind(),
            form.share_of(cell),
            form.good_pass_chance(),
            "whole cell" if device is None else device.name,
        )
    except InvalidValueError as error:
        place_error(form, TRIAL_FIELDS, error)
        return None


def _start(session: Session, requirement: Requirement, form: TrialForm) -> int:
    cell = session.get_one(Cell, requirement.cell_id)
    trial = evidence.start_trial(
        session,
        requirement,
        name=form.name.data,
        stage=Stage(form.stage.data),
        plan_kind=form.kind(),
        device=form.device(cell),
        share=form.share_of(cell),
        good_pass=form.good_pass_chance(),
        actor=current_person(),
        now=now(),
    )
    return trial.id
