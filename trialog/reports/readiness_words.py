"""The sentences on whether a cell can be left alone, and on what it waits for."""

from __future__ import annotations

from collections.abc import Sequence

from trialog.evidence.lacking import lacking
from trialog.evidence.readiness import JudgedTrial, StageReadiness
from trialog.languages import counted, listed, mark, t, tn
from trialog.records.words import Role, Stage
from trialog.reports import words

CONCERNED = {
    "sign-off lapsed": mark("sign-off lapsed: {subjects}"),
    "signing refused": mark("signing refused: {subjects}"),
    "rules changed late": mark("rules changed after the first counted cycle: {subjects}"),
    "NO-GO": mark("NO-GO: {subjects}"),
}
"""How it is said whose trials need somebody."""

SIGN_OFF = {
    "signed": mark("signed off"),
    "incomplete": mark("signed in part"),
    "refused": mark("refused"),
    "lapsed": mark("lapsed"),
    "revoked": mark("revoked"),
    "none": mark("not signed"),
}
"""Whether a trial is signed off, in as few words as a table has room for."""


def may_run_alone(found: StageReadiness) -> bool:
    """Whether a cell may be left alone: it ran so in trials that are GO, signed off, and enough."""
    return (
        found.stage is Stage.UNATTENDED and found.verdict == "GO" and found.signed and found.reached
    )


def alone(found: StageReadiness | None) -> str:
    """Answer whether a cell can be left alone, and for how long, from the stage that counts."""
    if found is None:
        return t("Nobody can say yet whether this cell can be left alone: it has no trial.")
    said = at_stage(found)
    if found.stage is not Stage.UNATTENDED:
        return t(
            "Not to be left alone yet: no cycle has been counted unattended. {said}", said=said
        )
    if may_run_alone(found):
        lead = t("It can be left alone for {stretch} at a time.", stretch=_required(found))
    elif found.verdict == "GO" and found.signed:
        lead = t("Not to be left alone for {stretch} yet.", stretch=_required(found))
    elif found.verdict == "GO":
        lead = t("Not to be left alone yet: the verdict is GO, but it is not signed off.")
    elif found.verdict == "NO-GO":
        lead = t("Not to be left alone: the verdict is NO-GO.")
    else:
        lead = t("Not to be left alone yet.")
    return f"{lead} {said}"


def at_stage(found: StageReadiness) -> str:
    """Say what a cell has proven at a stage, what it must prove, and what holds it back."""
    said = [_proven(found), _held_back(found), _to_go(found)]
    return " ".join(sentence for sentence in said if sentence)


def _proven(found: StageReadiness) -> str:
    stage, chance = t(found.stage), words.chance(found.requirement.chance)
    asked = {"stage": stage, "required": _required(found), "chance": chance}
    if not found.counted:
        return t(
            "Stage {stage}: nothing proven yet, for no cycle has been counted; required are "
            "{required} alone at {chance} chance.",
            **asked,
        )
    if found.upper == 1:
        return t(
            "Stage {stage}: nothing proven for the cell yet; required are {required} alone at "
            "{chance} chance.",
            **asked,
        )
    stretch = found.proven_stretch_seconds
    proven = t("any stretch") if stretch is None else words.stretch(stretch)
    if found.verdict == "GO" and found.reached:
        return t(
            "Stage {stage}: {proven} alone at {chance} chance are proven, {required} required.",
            proven=proven, **asked,
        )  # fmt: skip
    return t(
        "Stage {stage}: {proven} alone at {chance} chance are proven so far, {required} required.",
        proven=proven, **asked,
    )  # fmt: skip


def of_required(proven: float | None, required: float) -> str:
    """Say a proven stretch beside the required one, shortly."""
    said = t("any stretch") if proven is None else words.stretch(proven)
    return t("{proven} of {required} proven", proven=said, required=words.length(required))


def _required(found: StageReadiness) -> str:
    return words.length(found.requirement.stretch_hours * 3600)


def _held_back(found: StageReadiness) -> str:
    """Say what the cell waits for most."""
    if found.verdict == "GO" and not found.reached:
        return t(
            "Every line of every trial holds, but together they prove less than is required; a "
            "trial of the whole cell bounds it directly."
        )
    if found.verdict == "GO":
        return t("Every line of every trial holds.")
    if found.verdict == "NO-GO":
        stopped = [one for one in found.current if one.verdict.verdict == "NO-GO"]
        devices = [one for one in stopped if one.trial.device_id is not None]
        names = listed([one.verdict.subject for one in devices or stopped])
        return t("Held back by {subjects}: NO-GO.", subjects=names)
    if found.untried:
        names = listed([device.name for device in found.untried])
        return t("Held back by {subjects}: no trial at this stage.", subjects=names)
    weakest = found.weakest
    if weakest is None or weakest.verdict.verdict == "GO":
        weakest = next(one for one in found.current if one.verdict.verdict != "GO")
    return _limited(weakest)


def _limited(one: JudgedTrial) -> str:
    """Say of a trial that keeps running why it does."""
    verdict = one.verdict
    if verdict.evidence.cycles == 0:
        return t("Held back by {subject}: no cycle counted yet.", subject=verdict.subject)
    if verdict.upper > verdict.limit:
        upper, limit = words.bound_and_limit(verdict.upper, verdict.limit)
        return t(
            "Held back most by {subject}: it may fail in up to {upper} of its cycles, and {limit} "
            "are allowed.",
            subject=verdict.subject, upper=upper, limit=limit,
        )  # fmt: skip
    lines = listed([reason.name for reason in verdict.unmet])
    return t("Held back by {subject}: still open: {lines}.", subject=verdict.subject, lines=lines)


def _to_go(found: StageReadiness) -> str:
    missing = still_missing(found)
    return t("Missing: {parts}.", parts=listed(missing)) if missing else ""


def still_missing(found: StageReadiness) -> list[str]:
    """Say what a cell that keeps running lacks: clean cycles with their shifts, and conditions."""
    if found.verdict != "KEEP RUNNING":
        return []
    parts = list(lacking(found.missing_conditions))
    cycles, shifts = found.clean_cycles_to_go, found.shifts_to_go
    if cycles:
        parts.insert(0, _cycles_and_shifts(cycles, shifts or 0))
    return parts


def _cycles_and_shifts(cycles: int, shifts: int) -> str:
    return tn(
        "{cycles} clean cycle ({shifts})",
        "{cycles} clean cycles ({shifts})",
        cycles,
        cycles=words.about_up(cycles),
        shifts=counted(shifts, "shift"),
    )


def bound(found: StageReadiness) -> str:
    """Say what bounds the cell's failure rate at a stage, and by which method."""
    if found.whole is not None:
        return t(
            "From the whole cell's own trial {trial}: cycles in which any device failed.",
            trial=found.whole.trial.name,
        )
    devices = [one.verdict.subject for one in found.current if one.trial.device_id is not None]
    return t(
        "From the trials of {devices}, proven apart: each one's peek-safe bound at an equal part "
        "of the error, added up (Bonferroni).",
        devices=listed(devices),
    )


def concerned(need: str, subjects: Sequence[str]) -> str:
    """Say whose trials need somebody, and for what."""
    return t(CONCERNED[need], subjects=listed(list(dict.fromkeys(subjects))))


def parked(lines: int) -> str:
    """Say how many lines from tablets wait to be seen to."""
    return tn(
        "{number} line from a tablet not taken", "{number} lines from tablets not taken", lines
    )


def no_trial() -> str:
    """Say that nothing counts yet."""
    return t("no trial planned, so nothing counts")


def ready(found: StageReadiness) -> str:
    """Say of a stage that is GO and signed what comes next."""
    if found.stage is Stage.UNATTENDED:
        return t("GO and signed off: nothing is missing")
    return t(
        "GO and signed off at the stage {stage}: the next stage may begin", stage=t(found.stage)
    )


def not_reached(found: StageReadiness) -> str:
    """Say that devices which are each GO do not prove the required stretch together."""
    proven = of_required(found.proven_stretch_seconds, found.requirement.stretch_hours * 3600)
    return t("GO and signed off, but together the trials prove less: {proven}", proven=proven)


def to_sign(found: StageReadiness) -> str:
    """Say who must sign a GO still."""
    roles = {role for one in found.current for role in one.signed.missing}
    return t(
        "GO, still to sign: {roles}", roles=listed([t(role) for role in Role if role in roles])
    )


def keep_running(found: StageReadiness) -> str:
    """Say what a cell lacks that keeps running."""
    missing = still_missing(found)
    if missing:
        return t("missing: {parts}", parts=listed(missing))
    if found.untried:
        names = listed([device.name for device in found.untried])
        return t("no trial at this stage: {devices}", devices=names)
    lines = {reason.name: None for one in found.current for reason in one.verdict.unmet}
    return t("still open: {lines}", lines=listed(list(lines)))
