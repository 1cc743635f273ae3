"""What the pages on rulings share: which failures are looked for, and which are picked."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from flask import request

from trialog.errors import ConflictError, InvalidValueError
from trialog.evidence import Verdict, judge
from trialog.records.models import Trial
from trialog.reports.failures import FailureLine, Ruling, failures_of_evidence
from trialog.reports.review import NOBODY, Wanted, queue
from trialog.web.database import get_session

SHOWN = 50
"""Failures on one page of the queue."""

MOST_PICKED = 200
"""Failures that are ruled on at once; nobody looks at more of them. Common practice, no source."""


@dataclass(frozen=True)
class Review:
    """A trial's failures, and those of them that are looked for."""

    verdict: Verdict
    lines: tuple[FailureLine, ...]
    wanted: Wanted
    found: tuple[FailureLine, ...]

    @property
    def waiting(self) -> int:
        """How many nobody has ruled on."""
        return sum(line.ruling is Ruling.UNRULED for line in self.lines)

    @property
    def modes(self) -> list[tuple[int, str]]:
        """The failure modes that were seen."""
        return sorted({(line.mode_id, line.mode) for line in self.lines}, key=lambda one: one[1])

    @property
    def shifts(self) -> list[tuple[int, str]]:
        """The shifts with a failure, in order."""
        return list(dict.fromkeys((line.shift_id, line.shift) for line in self.lines))

    @property
    def people(self) -> list[str]:
        """Who saw them."""
        return sorted({line.person or NOBODY for line in self.lines})


def review(trial: Trial) -> Review:
    """Gather a trial's failures, and those that the address asks for."""
    session = get_session()
    verdict = judge(session, trial)
    lines = failures_of_evidence(session, verdict.evidence)
    wanted = _wanted()
    return Review(verdict, lines, wanted, tuple(queue(lines, wanted)))


def _wanted() -> Wanted:
    said = request.args.get("ruling", "")
    return Wanted(
        mode_id=request.args.get("mode", type=int),
        shift_id=request.args.get("shift", type=int),
        person=request.args.get("person", ""),
        ruling=Ruling(said) if said in set(Ruling) else None,
    )


def asked_for() -> dict[str, Any]:
    """Return the part of the address that says which failures are looked for."""
    return {
        name: request.args[name]
        for name in ("mode", "shift", "person", "ruling")
        if request.args.get(name)
    }


def key_of(line: FailureLine) -> str:
    """Return how a failure is named in a form: its mode and its line's client id."""
    return f"{line.mode_id}/{line.entry}"


def picked_from(found: Review) -> list[FailureLine]:
    """Return the failures that a form picks, in the order of the logbook.

    Raises
    ------
    InvalidValueError
        If there are none, or too many.
    ConflictError
        If one of them is not in the evidence any more.
    """
    if request.form.get("all"):
        keys = [key_of(line) for line in found.found]
    else:
        keys = list(dict.fromkeys(request.form.getlist("pick")))
    if not keys:
        raise InvalidValueError("failures", "be picked: tick those that the ruling is on", 0)
    if len(keys) > MOST_PICKED:
        rule = f"be at most {MOST_PICKED} at once; look for fewer"
        raise InvalidValueError("failures", rule, len(keys))
    known = {key_of(line): line for line in found.lines}
    missing = [key for key in keys if key not in known]
    if missing:
        raise ConflictError(
            f"failures must be in the evidence of this trial, but {len(missing)} of those picked "
            "are not, or no longer"
        )
    return [line for key, line in known.items() if key in set(keys)]
