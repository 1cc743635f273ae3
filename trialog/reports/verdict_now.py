"""How a trial stands, as data and in words: what commands print and the API answers."""

from __future__ import annotations

from datetime import tzinfo
from typing import Any

from sqlalchemy.orm import Session

from trialog.evidence import CAUTIONS, judge, trial_signed, verdict_as_dict
from trialog.evidence.effects import explained
from trialog.records.models import Trial
from trialog.reports import sentences
from trialog.reports.plain import plain
from trialog.reports.rules_fixed import rules_fixed
from trialog.reports.sign_offs import standing_of


def verdict_now(session: Session, trial: Trial, zone: tzinfo) -> dict[str, Any]:
    """Judge a trial, and return all that is said of it as plain data."""
    found, fixed = explained(judge(session, trial)), rules_fixed(session, trial, zone)
    return verdict_as_dict(found) | {
        "sentence": sentences.proven(found),
        "fixed": fixed.words,
        "changed_after": list(fixed.changed_after),
        "sign_off": plain(standing_of(trial_signed(session, trial, found), zone), zone),
        "cautions": list(CAUTIONS),
    }


def verdict_in_words(told: dict[str, Any]) -> str:
    """Say a verdict: the sentence, each line with its figure and what would change it, cautions."""
    lines = [f"{told['trial']}: {told['verdict']}", told["sentence"]]
    lines += [told["sign_off"]["words"], told["fixed"], *told["changed_after"], ""]
    for reason in told["reasons"]:
        met = "holds" if reason["met"] else "OPEN "
        lines.append(f"  {met}  {reason['name']}: {reason['detail']}")
        lines += [f"         {sentence}" for sentence in reason["would_change"]]
    lines += ["", "Cautions:", *(f"  - {caution}" for caution in told["cautions"])]
    return "\n".join(lines)
