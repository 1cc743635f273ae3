"""The conditions of a trial's evidence in reports: each shift, what is missing, what to plan."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from trialog.evidence import Verdict
from trialog.evidence.coverage import (
    CONDITIONS,
    SHIFTS,
    Coverage,
    PlannedShifts,
    asked_of,
    missing_of,
    plan_shifts,
)
from trialog.records.words import Condition
from trialog.reports import words

ONE_OF = {
    SHIFTS: "shift",
    "operators": "operator",
    "cold starts": "cold start",
    "material lots": "material lot",
    "tool changes": "tool change",
}
"""What one of each is called."""


@dataclass(frozen=True)
class OperatorOfShift:
    """Who logged how many cycles of the evidence in a shift, and how many of those failed."""

    name: str
    logged: int
    failed: int


@dataclass(frozen=True)
class ConditionsOfShift:
    """What one shift met. `material_lots`: each that was marked, "" where nobody named it."""

    shift: str
    opened_at: datetime
    cycles: int
    cold_starts: int
    material_lots: tuple[str, ...]
    tool_changes: int
    other_operators: int
    operators: tuple[OperatorOfShift, ...]
    shift_id: int = field(metadata={"omit": True})


@dataclass(frozen=True)
class Asked:
    """One condition: how often it was met, how often the requirement asks for it, what lacks."""

    condition: str
    met: int
    asked: int
    missing: int


@dataclass(frozen=True)
class Planned:
    """Shifts to come, `first` to `last` from now, and what to do in each."""

    first: int
    last: int
    needs: tuple[str, ...]
    words: str


@dataclass(frozen=True)
class ConditionsReport:
    """Conditions by shifts, against the requirement. `shifts_to_go`: those the plan needs."""

    shifts: tuple[ConditionsOfShift, ...]
    totals: tuple[Asked, ...]
    shifts_to_go: int | None
    plan: tuple[Planned, ...]
    words: str


def conditions_report(verdict: Verdict) -> ConditionsReport:
    """Tell the conditions under which a trial's evidence was gathered."""
    coverage, met = verdict.evidence.coverage, verdict.evidence.conditions
    asked = asked_of(verdict.evidence.trial.requirement)
    missing = missing_of(met, asked)
    shifts_to_go = None if verdict.verdict == "NO-GO" else verdict.shifts_to_go
    planned = () if verdict.verdict == "NO-GO" else plan_shifts(missing, shifts_to_go)
    return ConditionsReport(
        shifts=tuple(_shifts(verdict)),
        totals=tuple(
            Asked(word, met[word], asked.get(word, 0), missing.get(word, 0)) for word in CONDITIONS
        ),
        shifts_to_go=shifts_to_go,
        plan=tuple(_planned(shifts, coverage) for shifts in planned),
        words=_sentence(verdict, asked, missing),
    )


def _shifts(verdict: Verdict) -> list[ConditionsOfShift]:
    evidence = verdict.evidence
    rows = evidence.shifts.set_index("shift_id").to_dict("index")
    return [_shift(shift_id, rows[shift_id], evidence.coverage)
            for shift_id in evidence.coverage.shift_ids]  # fmt: skip


def _shift(shift_id: int, row: Mapping[Any, Any], coverage: Coverage) -> ConditionsOfShift:
    marks = [mark for mark in coverage.marks if mark.shift_id == shift_id]

    def times(condition: Condition) -> int:
        return sum(mark.condition is condition for mark in marks)

    return ConditionsOfShift(
        shift=str(row["label"]),
        opened_at=row["opened_at"],
        cycles=int(row["cycles"]),
        cold_starts=times(Condition.COLD_START),
        material_lots=tuple(
            mark.text for mark in marks if mark.condition is Condition.MATERIAL_LOT
        ),
        tool_changes=times(Condition.TOOL_CHANGE),
        other_operators=times(Condition.OTHER_OPERATOR),
        operators=tuple(
            OperatorOfShift(one.person, one.logged, one.failed)
            for one in coverage.worked
            if one.shift_id == shift_id
        ),
        shift_id=shift_id,
    )


def _planned(shifts: PlannedShifts, coverage: Coverage) -> Planned:
    needs = tuple(_need(word, coverage) for word in shifts.needs)
    number = shifts.last - shifts.first + 1
    which = "next shift" if number == 1 else f"next {number:,} shifts"
    lead = f"The {which}" if shifts.first == 1 else f"Then the {which}"
    if not needs:
        return Planned(shifts.first, shifts.last, (), f"{lead}: nothing but cycles.")
    each = "" if number == 1 else "in each, "
    return Planned(shifts.first, shifts.last, needs, f"{lead}: {each}{words.listed(list(needs))}.")


def _need(word: str, coverage: Coverage) -> str:
    if word == "operators":
        known = f" (so far {words.listed(list(coverage.people))})" if coverage.people else ""
        return f"let somebody log who has not yet{known}"
    return {
        "cold starts": "start with the machine cold",
        "material lots": "begin a new material lot",
        "tool changes": "change a tool",
    }[word]


def _sentence(verdict: Verdict, asked: Mapping[str, int], missing: Mapping[str, int]) -> str:
    """Say first what is missing."""
    if not asked:
        said = "The requirement asks for no conditions."
    elif not missing:
        said = "Every condition that the requirement asks for is covered."
    else:
        parts = [words.counted(number, f"more {ONE_OF[word]}") for word, number in missing.items()]
        verb = "is" if list(missing.values()) == [1] else "are"
        said = f"{words.listed(parts)} {verb} missing."
    if verdict.verdict == "NO-GO":
        return f"{said} The trial is NO-GO, so no shift is planned for it."
    if verdict.clean_cycles_to_go:
        return f"{said} {_cycles(verdict)}"
    return said


def _cycles(verdict: Verdict) -> str:
    cycles = words.about_up(verdict.clean_cycles_to_go or 0)
    noun = "cycle" if verdict.clean_cycles_to_go == 1 else "cycles"
    verb = "is" if verdict.shifts_to_go == 1 else "are"
    return (
        f"The plan needs {cycles} more clean {noun}, which {verb} "
        f"{words.counted(verdict.shifts_to_go or 0, 'shift')}."
    )
