"""Who has signed, refused or revoked, as reports say it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, tzinfo

from trialog.evidence import Lapse, LapseLine, SignedOff, SignOffState, state_of
from trialog.languages import t
from trialog.records.models import Trial
from trialog.reports import sentences, words

STANDS, LAPSED, REVOKED = "stands", "lapsed", "revoked"


@dataclass(frozen=True)
class LapseLineRow:
    """A line that took a signature's ground away; `words` say which, whose and when."""

    kind: str
    line: int | None
    shift: str | None
    person: str | None
    at: datetime
    words: str
    shift_id: int | None = field(metadata={"omit": True})


@dataclass(frozen=True)
class LapseRow:
    """Why a signature no longer stands, with the first of the lines behind it."""

    words: str
    lines: tuple[LapseLineRow, ...]
    more: int


@dataclass(frozen=True)
class RevocationRow:
    """Who has taken a signature or refusal back, and why."""

    person: str
    reason: str
    at: datetime


@dataclass(frozen=True)
class SignOffRow:
    """A signature or refusal; `lapses` say what has taken its ground away since."""

    id: int
    decision: str
    state: str
    person: str
    role: str
    statement: str
    at: datetime
    document_hash: str
    lapsed: bool
    lapses: tuple[LapseRow, ...]
    revoked: RevocationRow | None


@dataclass(frozen=True)
class SignOffStanding:
    """Whether a trial is signed off, whom that takes, and who is missing."""

    status: str
    words: str
    required: tuple[str, ...]
    missing: tuple[str, ...]


def standing_of(state: SignOffState, zone: tzinfo) -> SignOffStanding:
    """Say whether a trial is signed off."""
    return SignOffStanding(
        status=state.status,
        words=in_words(state, zone),
        required=tuple(str(role) for role in state.required),
        missing=tuple(str(role) for role in state.missing),
    )


def in_words(state: SignOffState, zone: tzinfo) -> str:
    """Say in a sentence or two whether a trial is signed off."""
    missing = words.listed([t(role) for role in state.missing])
    if state.status == "refused":
        return " ".join(
            t(
                "{person} has refused to sign: {statement}",
                person=_who(item),
                statement=item.record.statement,
            )
            for item in state.refusals
        )
    if state.signatures:
        signed = words.listed([_who(item) for item in reversed(state.signatures)])
        when = words.moment(state.signatures[0].record.signed_at, zone)
        if state.signed:
            return t("Signed off: signed by {people}, {moment}.", people=signed, moment=when)
        return t(
            "Signed by {people}, {moment}. Still to sign: {missing}.",
            people=signed,
            moment=when,
            missing=missing,
        )
    if state.newest is None:
        return t("Not signed. Must sign: {missing}.", missing=missing)
    if state.newest.revocation is not None:
        revoked = state.newest.revocation
        return t(
            "Not signed: {person} has revoked the signature of {signer}. Must sign: {missing}.",
            person=revoked.person_name,
            signer=state.newest.record.person_name,
            missing=missing,
        )
    return t("Not signed: the sign-off has lapsed. Must sign anew: {missing}.", missing=missing)


def _who(item: SignedOff) -> str:
    return f"{item.record.person_name} ({t(item.record.role)})"


def lapsed_still(trial: Trial, found: Sequence[SignedOff], zone: tzinfo) -> tuple[str, ...]:
    """Say which signatures have lapsed; nothing once all who must have signed anew."""
    return () if state_of(trial, found).signed else tuple(sentences.lapsed(found, zone))


def sign_off_rows(found: Sequence[SignedOff], zone: tzinfo) -> tuple[SignOffRow, ...]:
    """Return signatures and refusals with what became of each, newest first."""
    return tuple(_row(item, zone) for item in found)


def _row(item: SignedOff, zone: tzinfo) -> SignOffRow:
    record, revoked = item.record, item.revocation
    return SignOffRow(
        id=record.id,
        decision=str(record.decision),
        state=REVOKED if revoked is not None else LAPSED if item.lapsed else STANDS,
        person=record.person_name,
        role=str(record.role),
        statement=record.statement,
        at=record.signed_at,
        document_hash=record.document_hash,
        lapsed=item.lapsed,
        lapses=tuple(_lapse(cause, zone) for cause in item.causes),
        revoked=None
        if revoked is None
        else RevocationRow(revoked.person_name, revoked.reason, revoked.revoked_at),
    )


def _lapse(cause: Lapse, zone: tzinfo) -> LapseRow:
    return LapseRow(cause.words, tuple(_line(line, zone) for line in cause.lines), cause.more)


def _line(line: LapseLine, zone: tzinfo) -> LapseLineRow:
    if line.sequence is None:
        place = t("parked line")
    else:
        place = t("line {line}, {kind}", line=line.sequence, kind=t(line.kind))
    where = "" if line.shift is None else f", {t('shift {shift}', shift=line.shift)}"
    who = line.person or t("the command line")
    return LapseLineRow(
        kind=line.kind,
        line=line.sequence,
        shift=line.shift,
        person=line.person,
        at=line.at,
        words=f"{place}{where}: {who}, {words.moment(line.at, zone)}",
        shift_id=line.shift_id,
    )
