"""Words and addresses that templates of several rooms use."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from flask import Flask, request, url_for

from trialog.evidence import statistics_of
from trialog.records.models import Cell, Requirement, Shift, Trial
from trialog.records.people import Action, may
from trialog.reports import sentences
from trialog.reports.rules_fixed import rules_fixed
from trialog.web.clock import zone
from trialog.web.database import get_session
from trialog.web.identity import current_person


def log_url(cell: Cell) -> str:
    """Return where a shift of a cell is opened or joined."""
    return url_for("logging.start", cell_id=cell.id)


def revision_url(cell: Cell) -> str:
    """Return where a change to a device is recorded."""
    return url_for("shifts.new_revision", cell_id=cell.id)


def shift_url(shift: Shift) -> str:
    """Return where a shift's report is."""
    return url_for("shifts.report", shift_id=shift.id)


def shift_page(shift_id: int) -> str:
    """Return where the report of the shift of an id is."""
    return url_for("shifts.report", shift_id=shift_id)


def file_url(sha256: str) -> str:
    """Return where a photo or file of a revision is downloaded."""
    return url_for("shifts.file", sha256=sha256)


def trial_url(trial: Trial) -> str:
    """Return where a trial's page is."""
    return url_for("trials.show", trial_id=trial.id)


def csv_page(kind: str, **ids: Any) -> Callable[[str], str]:
    """Return what tells where a table of a kind of report is had as CSV, in the page's language."""
    language = request.args.get("language")
    return lambda table: url_for(
        f"downloads.{kind}", form="csv", table=table, language=language, **ids
    )


def parked_url(cell_id: int) -> str | None:
    """Return where a cell's parked lines are seen to, for whoever may do so."""
    if not may(current_person(), Action.CORRECT):
        return None
    return url_for("tablets.parked", cell_id=cell_id)


def requirement_words(requirement: Requirement) -> str:
    """Say a stored requirement and the limit that follows."""
    return sentences.requirement(statistics_of(requirement))


def rule_changes(trial: Trial) -> tuple[str, ...]:
    """Say each change of a trial's rules after its first counted cycle; there should be none."""
    return rules_fixed(get_session(), trial, zone()).changed_after


def init_app(app: Flask) -> None:
    """Give them to the templates."""
    for made in (
        log_url, revision_url, shift_url, trial_url, requirement_words, rule_changes,
    ):  # fmt: skip
        app.jinja_env.globals[made.__name__] = made
