"""Whether a trial's requirement and plan were fixed before its results, in words."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, tzinfo

from sqlalchemy.orm import Session

from trialog.evidence.fixing import Fixed, fixing_of
from trialog.languages import t
from trialog.records.models import Trial
from trialog.reports import words


@dataclass(frozen=True)
class RulesFixed:
    """When requirement and plan were fixed. `changed_after`: a sentence for each change that the
    audit shows after the first counted cycle; there should be none."""

    at: datetime
    first_cycle_at: datetime | None
    first_entered_at: datetime | None
    words: str
    changed_after: tuple[str, ...]


def rules_fixed(session: Session, trial: Trial, zone: tzinfo) -> RulesFixed:
    """Say when a trial's rules were fixed, and what came after."""
    fixed = fixing_of(session, trial)
    first = fixed.first
    return RulesFixed(
        at=fixed.at,
        first_cycle_at=None if first is None else first.occurred_at,
        first_entered_at=None if first is None else first.recorded_at,
        words=_words(fixed, zone),
        changed_after=tuple(_changed_after(fixed, zone)),
    )


def _words(fixed: Fixed, zone: tzinfo) -> str:
    at = words.moment(fixed.at, zone)
    if fixed.first is None:
        return t(
            "Requirement and plan were fixed on {moment}; they may be changed until the first "
            "counted cycle.",
            moment=at,
        )
    ran = words.moment(fixed.first.occurred_at, zone)
    if fixed.at <= fixed.first.occurred_at:
        return t(
            "Requirement and plan were fixed on {moment}, before the first counted cycle ({ran}).",
            moment=at,
            ran=ran,
        )
    return t(
        "Requirement and plan were fixed on {moment}, after the first counted cycle ({ran}) and "
        "before that was entered ({entered}): trialog cannot tell who knew of the results then.",
        moment=at,
        ran=ran,
        entered=words.moment(fixed.first.recorded_at, zone),
    )


def _changed_after(fixed: Fixed, zone: tzinfo) -> Iterator[str]:
    for change in fixed.late:
        yield t(
            "The {what} was changed after the first counted cycle{columns}, on {moment} by "
            "{person}. A rule that is chosen after the results proves nothing.",
            what=t(change.what),
            columns=f" ({', '.join(change.columns)})" if change.columns else "",
            moment=words.moment(change.at, zone),
            person=change.person or t("the command line"),
        )
