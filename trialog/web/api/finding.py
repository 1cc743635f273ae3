"""Find what an address of the API names, unless the client is for another cell."""

from __future__ import annotations

from trialog.records.models import Cell, Shift, Trial
from trialog.web.api.access import require_cell
from trialog.web.database import get_or_404


def cell_or_404(cell_id: int) -> Cell:
    """Return a cell."""
    require_cell(cell_id)
    return get_or_404(Cell, cell_id)


def shift_or_404(shift_id: int) -> Shift:
    """Return a shift."""
    shift = get_or_404(Shift, shift_id)
    require_cell(shift.cell_id)
    return shift


def trial_or_404(trial_id: int) -> Trial:
    """Return a trial."""
    trial = get_or_404(Trial, trial_id)
    require_cell(trial.cell_id)
    return trial
