"""A page for each line of a verdict: what it asks, how it stands, and what is behind it."""

from __future__ import annotations

from dataclasses import dataclass

from flask import abort, render_template, url_for

from trialog.evidence import Reason, judge
from trialog.evidence.behind import NEWEST, Behind, behind
from trialog.evidence.effects import explained
from trialog.evidence.reasons import EXPLANATIONS
from trialog.records.models import Entry, Trial
from trialog.records.people import Action
from trialog.records.words import EntryKind
from trialog.reports.trial_report import ShiftRow, shift_rows
from trialog.web.clock import zone
from trialog.web.database import get_or_404, get_session
from trialog.web.links import parked_url
from trialog.web.logging.words import line_words
from trialog.web.security import allowed
from trialog.web.trials import bp

NO_LIST = {
    "damage": "No failure in the evidence can damage.",
    "rulings": "There is no failure in the evidence.",
    "changes": "The evidence goes back to how the cell was first set up.",
    "cautions": "Nobody has acknowledged them yet.",
}
"""What is said where nothing is behind a line, other than that no shift holds evidence yet."""

GAPS_TOLD = 3
"""How many gaps of a shift stand here; the shift's page has more."""


@dataclass(frozen=True)
class LineBehind:
    """A line of the logbook with the page that shows it among its neighbours."""

    entry: Entry
    words: str
    page: str


@bp.get("/trials/<int:trial_id>/lines/<key>")
@allowed(Action.READ)
def line(trial_id: int, key: str) -> str:
    """Show what is behind one line of a trial's verdict."""
    trial = get_or_404(Trial, trial_id)
    if key not in EXPLANATIONS:
        abort(404)
    session = get_session()
    verdict = explained(judge(session, trial))
    found = behind(session, verdict.evidence, key)
    rows = {row.shift_id: row for row in shift_rows(verdict.evidence)}
    return render_template(
        "trials/line.html",
        trial=trial,
        verdict=verdict,
        reasons=verdict.reasons,
        reason=_named(verdict.reasons, key),
        shifts=_shifts(found, rows),
        rows=rows,
        machine=found.machine,
        newest=NEWEST,
        gaps_told=GAPS_TOLD,
        lines=[LineBehind(entry, _words(entry), _page(entry)) for entry in found.entries],
        acknowledged=found.acknowledged,
        nothing=NO_LIST.get(key, "No shift holds evidence yet."),
        parked_page=parked_url(trial.cell_id),
        clock=zone(),
    )


def _named(reasons: tuple[Reason, ...], key: str) -> Reason:
    return next(reason for reason in reasons if reason.key == key)


def _shifts(found: Behind, rows: dict[int, ShiftRow]) -> list[ShiftRow]:
    return [rows[shift.id] for shift in found.shifts]


def _words(entry: Entry) -> str:
    """Say what a line is about; a ruling is told by its target, which stands above it."""
    said = line_words(entry)
    if entry.kind is EntryKind.REVISION:
        return said if entry.resets_evidence else f"{said} (kept the evidence)"
    return said


def _page(entry: Entry) -> str:
    if entry.shift_id is None:
        return url_for("shifts.new_revision", cell_id=entry.cell_id)
    return url_for("shifts.report", shift_id=entry.shift_id, _anchor=f"line-{entry.sequence}")
