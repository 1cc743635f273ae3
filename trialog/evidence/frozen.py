"""The frozen document: all that a verdict rests on, as plain data that can be hashed."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np
import scipy
from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog import __version__
from trialog.evidence.cautions import CAUTIONS
from trialog.evidence.fixing import fixing_of
from trialog.evidence.verdict import Verdict, verdict_as_dict
from trialog.records.chain import canonical_time
from trialog.records.models import Acknowledgement, Cell, Requirement, SignOff, Trial
from trialog.records.schema import newest_version

VERSIONS, SIGNATURE = "versions", "signature"
"""Keys that nothing in the logbook can reproduce: what worked it out, and who signed."""


def frozen_inputs(session: Session, verdict: Verdict, cell: Cell) -> dict[str, Any]:
    """Return everything a verdict rests on, as plain data that can be hashed."""
    trial = verdict.evidence.trial
    return {
        "verdict": _verdict(verdict),
        "trial_id": trial.id,
        "cell_id": cell.id,
        "cell": {
            "name": cell.name,
            "machine": cell.machine,
            "part": cell.part,
            "operation": cell.operation,
        },
        "stage": str(trial.stage),
        "begins_at": None if trial.begins_at is None else canonical_time(trial.begins_at),
        "plan": {"kind": str(trial.plan_kind), **asdict(verdict.plan)},
        "requirement": _requirement(trial.requirement),
        "rules": _rules(session, trial),
        "shifts": [
            {
                "label": row["label"],
                "cycles": int(row["cycles"]),
                "failures": int(row["failures"]),
                "no_tests": int(row["no_tests"]),
            }
            for row in verdict.evidence.shifts.to_dict("records")
        ],
        "evidence_since": verdict.evidence.since.what,
        "acknowledgements": _acknowledgements(session, trial),
        "logbook": {
            "first": min(1, cell.chain_length),
            "lines": cell.chain_length,
            "hash": cell.chain_head,
        },
        "cautions": list(CAUTIONS),
        VERSIONS: versions(),
    }


def versions() -> dict[str, str | None]:
    """Return what works the figures out here: another version may round their last digits apart."""
    return {
        "trialog": __version__,
        "schema": newest_version(),
        "numpy": np.__version__,
        "scipy": scipy.__version__,
    }


def signature(record: SignOff) -> dict[str, str]:
    """Return who has said what and when; part of the document that its hash protects."""
    return {
        "decision": str(record.decision),
        "person": record.person_name,
        "role": str(record.role),
        "statement": record.statement,
        "at": canonical_time(record.signed_at),
    }


def _verdict(verdict: Verdict) -> dict[str, Any]:
    """Return the verdict with its lines' figures; their explanations are help, not evidence."""
    lines = [
        {"name": reason.name, "met": reason.met, "detail": reason.detail}
        for reason in verdict.reasons
    ]
    return verdict_as_dict(verdict) | {"reasons": lines}


def _requirement(requirement: Requirement) -> dict[str, Any]:
    return {
        "name": requirement.name,
        "stretch_hours": requirement.stretch_hours,
        "cycle_seconds": requirement.cycle_seconds,
        "chance": requirement.chance,
        "confidence": requirement.confidence,
        "design_rate": requirement.design_rate,
        "min_shifts": requirement.min_shifts,
        "min_operators": requirement.min_operators,
        "min_cold_starts": requirement.min_cold_starts,
        "min_material_lots": requirement.min_material_lots,
        "min_tool_changes": requirement.min_tool_changes,
        "sign_roles": list(requirement.sign_roles),
    }


def _rules(session: Session, trial: Trial) -> dict[str, Any]:
    """Return when plan and requirement were fixed, and what the audit shows of changes after."""
    fixed = fixing_of(session, trial)
    return {
        "fixed_at": canonical_time(fixed.at),
        "first_counted_at": None
        if fixed.first is None
        else canonical_time(fixed.first.occurred_at),
        "beforehand": fixed.beforehand,
        "changed_after": [
            {
                "what": late.what,
                "at": canonical_time(late.at),
                "person": late.person,
                "columns": list(late.columns),
            }
            for late in fixed.late
        ],
    }


def _acknowledgements(session: Session, trial: Trial) -> list[dict[str, Any]]:
    statement = select(Acknowledgement).where(Acknowledgement.trial_id == trial.id)
    return [
        {
            "id": noted.id,
            "kind": str(noted.kind),
            "person": noted.person.name,
            "text": noted.text,
            "at": canonical_time(noted.created_at),
        }
        for noted in session.scalars(statement.order_by(Acknowledgement.id))
    ]
