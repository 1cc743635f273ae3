"""What an import did, as plain data with the documented keys, and back from them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from trialog.feeds.columns import Form
from trialog.feeds.importing import ImportResult, ShiftSummary
from trialog.feeds.tables import RejectedLine


def import_as_dict(result: ImportResult) -> dict[str, Any]:
    """Return an import's outcome as plain data, with the documented keys."""
    return {
        "form": str(result.form),
        "written": result.written,
        "added": result.added,
        "repeated": result.repeated,
        "acceptable": result.acceptable,
        "rejected": [
            {"line": line.line, "reason": line.reason, "text": line.text}
            for line in result.rejected
        ],
        "shifts": [
            {
                "shift": shift.label,
                "new": shift.new,
                "added": shift.added,
                "cycles": shift.cycles,
                "failed": shift.failed,
            }
            for shift in result.shifts
        ],
        "tablets": list(result.tablets),
    }


def import_from_dict(told: Mapping[str, Any]) -> ImportResult:
    """Return the outcome that `import_as_dict` made plain data of, here or on a server."""
    return ImportResult(
        form=Form(told["form"]),
        written=told["written"],
        added=told["added"],
        repeated=told["repeated"],
        acceptable=told["acceptable"],
        rejected=tuple(
            RejectedLine(line["line"], line["reason"], line["text"]) for line in told["rejected"]
        ),
        shifts=tuple(
            ShiftSummary(
                shift["shift"], shift["new"], shift["added"], shift["cycles"], shift["failed"]
            )
            for shift in told["shifts"]
        ),
        tablets=tuple(told["tablets"]),
    )
