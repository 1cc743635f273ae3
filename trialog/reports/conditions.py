"""The conditions of a trial's evidence in reports: each shift, what is missing, what to plan."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from trialog.evidence import Verdict
from trialog.evidence.coverage import (
    CONDITIONS,
    Coverage,
    Mark,
    PlannedShifts,
    Worked,
    asked_of,
    missing_of,
    plan_shifts,
)
from trialog.evidence.lacking import lacking
from trialog.languages import t, tn
from trialog.records.words import Condition
from trialog.reports import words


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
    marks: dict[int, list[Mark]] = defaultdict(list)
    worked: dict[int, list[Worked]] = defaultdict(list)
    for mark in evidence.coverage.marks:
        marks[mark.shift_id].append(mark)
    for one in evidence.coverage.worked:
        worked[one.shift_id].append(one)
    return [
        _shift(shift_id, rows[shift_id], marks[shift_id], worked[shift_id])
        for shift_id in evidence.coverage.shift_ids
    ]


def _shift(
    shift_id: int, row: Mapping[Any, Any], marks: Sequence[Mark], worked: Sequence[Worked]
) -> ConditionsOfShift:
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
        operators=tuple(OperatorOfShift(one.person, one.logged, one.failed) for one in worked),
        shift_id=shift_id,
    )


def _planned(shifts: PlannedShifts, coverage: Coverage) -> Planned:
    needs = tuple(_need(word, coverage) for word in shifts.needs)
    number = shifts.last - shifts.first + 1
    if shifts.first == 1:
        lead = tn("The next shift", "The next {number} shifts", number)
    else:
        lead = tn("Then the next shift", "Then the next {number} shifts", number)
    if not needs:
        said = t("{when}: nothing but cycles.", when=lead)
    elif number == 1:
        said = f"{lead}: {words.listed(needs)}."
    else:
        said = t("{when}: in each, {needs}.", when=lead, needs=words.listed(needs))
    return Planned(shifts.first, shifts.last, needs, said)


def _need(word: str, coverage: Coverage) -> str:
    if word == "operators":
        if not coverage.people:
            return t("let somebody log who has not yet")
        return t(
            "let somebody log who has not yet (so far {people})",
            people=words.listed(coverage.people),
        )
    return {
        "cold starts": t("start with the machine cold"),
        "material lots": t("begin a new material lot"),
        "tool changes": t("change a tool"),
    }[word]


def _sentence(verdict: Verdict, asked: Mapping[str, int], missing: Mapping[str, int]) -> str:
    """Say first what is missing."""
    if not asked:
        said = t("The requirement asks for no conditions.")
    elif not missing:
        said = t("Every condition that the requirement asks for is covered.")
    else:
        said = tn(
            "{conditions} is missing.",
            "{conditions} are missing.",
            sum(missing.values()),
            conditions=words.listed(lacking(missing)),
        )
    if verdict.verdict == "NO-GO":
        return f"{said} {t('The trial is NO-GO, so no shift is planned for it.')}"
    if verdict.clean_cycles_to_go:
        return f"{said} {_cycles(verdict)}"
    return said


def _cycles(verdict: Verdict) -> str:
    cycles = words.about_up(verdict.clean_cycles_to_go or 0)
    needed = tn(
        "{cycles} more clean cycle",
        "{cycles} more clean cycles",
        verdict.clean_cycles_to_go or 0,
        cycles=cycles,
    )
    return tn(
        "The plan needs {cycles}, which is {number} shift.",
        "The plan needs {cycles}, which are {number} shifts.",
        verdict.shifts_to_go or 0,
        cycles=needed,
    )
