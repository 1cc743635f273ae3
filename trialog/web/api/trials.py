"""Trials, and how each stands."""

from __future__ import annotations

from datetime import datetime
from operator import attrgetter

from pydantic import BaseModel, Field

from trialog.records.base import LARGEST_ID
from trialog.records.models import Trial
from trialog.records.pages import trials_after
from trialog.records.words import PlanKind, Scope, Stage
from trialog.reports.verdict_now import verdict_now
from trialog.web.api.access import current_client
from trialog.web.api.answers import Plain
from trialog.web.api.cells import NEXT
from trialog.web.api.cursors import NamedQuery, page
from trialog.web.api.finding import cell_or_404, trial_or_404
from trialog.web.api.operations import operation
from trialog.web.api.zones import ZoneQuery
from trialog.web.database import get_session


class TrialOut(BaseModel):
    """One device's, or the whole cell's, run against one requirement and plan."""

    id: int
    name: str
    cell: int
    device: int | None = Field(description="null: the cell as a whole.")
    requirement: int
    stage: Stage
    share: float = Field(description="Its part of the cell's limit on failures.")
    plan_kind: PlanKind
    plan_cycles: int
    plan_allowed: int
    begins_at: datetime | None = Field(description="null: every shift of its stage counts.")
    follows: int | None = Field(description="The trial that it goes on from.")
    created_at: datetime


class TrialPage(BaseModel):
    """A page of trials."""

    items: list[TrialOut]
    next: str | None = NEXT


class TrialQuery(NamedQuery):
    """Which trials are wanted."""

    cell: int | None = Field(None, ge=1, le=LARGEST_ID, description="Those of one cell.")


@operation(
    "GET",
    "/trials",
    scope=Scope.READ,
    tag="Trials",
    gives=TrialPage,
    query=TrialQuery,
    problems=(404,),
)
def list_trials(query: TrialQuery) -> TrialPage:
    """List the trials, of one cell or of all."""
    wanted = query.cell or current_client().cell_id
    cell_id = None if wanted is None else cell_or_404(wanted).id
    of = f"trials {cell_id or ''}"
    rows = trials_after(
        get_session(), query.after(of) or 0, query.limit + 1, cell_id=cell_id, name=query.name
    )
    shown, following = page(of, rows, query.limit, attrgetter("id"))
    return TrialPage(items=[_about(trial) for trial in shown], next=following)


@operation(
    "GET", "/trials/<int:trial_id>", scope=Scope.READ, tag="Trials", gives=TrialOut, problems=(404,)
)
def show_trial(trial_id: int) -> TrialOut:
    """Return a trial."""
    return _about(trial_or_404(trial_id))


@operation(
    "GET",
    "/trials/<int:trial_id>/verdict",
    scope=Scope.READ,
    tag="Trials",
    gives="TrialVerdict",
    query=ZoneQuery,
    problems=(404,),
)
def show_verdict(trial_id: int, query: ZoneQuery) -> Plain:
    """Say how a trial stands: GO, KEEP RUNNING or NO-GO.

    With the figure behind each line and what would change it, as `trialog verdict --json` prints.
    """
    return Plain(verdict_now(get_session(), trial_or_404(trial_id), query.zone()))


def _about(trial: Trial) -> TrialOut:
    return TrialOut(
        id=trial.id,
        name=trial.name,
        cell=trial.cell_id,
        device=trial.device_id,
        requirement=trial.requirement_id,
        stage=trial.stage,
        share=trial.share,
        plan_kind=trial.plan_kind,
        plan_cycles=trial.plan_cycles,
        plan_allowed=trial.plan_allowed,
        begins_at=trial.begins_at,
        follows=trial.follows_id,
        created_at=trial.created_at,
    )
