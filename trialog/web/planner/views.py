"""The planner's page, and its results alone for when a slider moves."""

from __future__ import annotations

import math
from dataclasses import dataclass
from urllib.parse import urlencode

from flask import jsonify, make_response, render_template, request, url_for
from werkzeug.wrappers import Response

from trialog import reliability
from trialog.errors import InvalidValueError
from trialog.evidence import statistics_of
from trialog.evidence.trials import DESIGN_MARGIN
from trialog.records.models import Requirement
from trialog.records.people import Action
from trialog.reports.plan_comparison import PlanComparison, compare_plans
from trialog.web.planner import bp
from trialog.web.planner.forms import PlannerForm, query_of, read_form
from trialog.web.saving import form_page, place_error
from trialog.web.security import allowed, report_page

FIELDS = {
    "stretch_hours": "stretch_hours",
    "hours": "stretch_hours",
    "chance": "chance",
    "confidence": "confidence",
    "limit": "chance",
    "design": "design_cycles",
    "design_rate": "design_cycles",
    "cycle_seconds": "cycle_seconds",
    "share": "share",
    "good_pass": "good_pass",
    "shift_hours": "shift_hours",
    "shifts": "shifts",
}
"""The statistics' word for a field, and the form's."""

CLOSEST, RAREST = 1.5, 300
"""Ends of the design rate's slider, in times rarer than the limit."""


@dataclass(frozen=True)
class DesignRange:
    """The design rate's slider, one failure in so many cycles: its ends, and where none is set."""

    least: int
    most: int
    default: int


@bp.get("/planner")
@allowed(Action.READ)
@report_page
def show() -> Response:
    """Show the plans for the numbers in the address."""
    form, found = _work_out()
    return form_page("planner/show.html", form, found=found, design=_design_range(form))


@bp.get("/planner/results")
@allowed(Action.READ)
def results() -> Response:
    """Answer with the results alone: a fragment of the page, and what is wrong with which field."""
    form, found = _work_out()
    design = _design_range(form)
    answer = jsonify(
        html=render_template("planner/_results.html", form=form, found=found),
        errors={name: problems[0] for name, problems in form.errors.items() if name},
        design=None if design is None else vars(design),
    )
    return make_response(answer, 422 if form.errors else 200)


def _work_out() -> tuple[PlannerForm, PlanComparison | None]:
    form = read_form(request.args)
    if not form.validate():
        return form, None
    try:
        asked = form.asked()
        form.check_together(asked)
        return form, None if form.errors else compare_plans(asked)
    except InvalidValueError as error:
        _place(form, error)
        return form, None


def _place(form: PlannerForm, error: InvalidValueError) -> None:
    """Put a refusal beside its field, with the value as it was typed."""
    name = FIELDS.get(error.field)
    typed = form[name].raw_data[0].strip() if name else ""
    if name is None or not typed:
        place_error(form, FIELDS, error)
    else:
        form[name].errors = [f"Must {error.rule}, got {typed}."]


def _design_range(form: PlannerForm) -> DesignRange | None:
    """Return the ends of the design rate's slider; None where there is no limit to hold it to."""
    if any(form[name].errors for name in ("stretch_hours", "cycle_seconds", "chance")):
        return None
    try:
        limit = form.asked().requirement.cell_limit
    except (InvalidValueError, ArithmeticError, TypeError):
        return None
    return DesignRange(
        least=math.ceil(CLOSEST / limit),
        most=math.ceil(RAREST / limit),
        default=math.ceil(DESIGN_MARGIN / limit),
    )


@bp.app_template_global("planner_url")
def planner_url(stated: reliability.Requirement, devices: int) -> str:
    """Return where the plans for a requirement are, shared equally by so many devices."""
    return f"{url_for('planner.show')}?{urlencode(query_of(stated, devices))}"


@bp.app_template_global("planner_url_for")
def planner_url_for(requirement: Requirement, devices: int) -> str:
    """Return where the plans for a stored requirement are."""
    return planner_url(statistics_of(requirement), devices)
