"""Whether a trial's requirement and plan were fixed before its results, in words."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, tzinfo

from sqlalchemy.orm import Session

from trialog.evidence.fixing import Fixed, fixing_of
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
    at = f"Requirement and plan were fixed on {words.moment(fixed.at, zone)}"
    if fixed.first is None:
        return f"{at}; they may be changed until the first counted cycle."
    ran = words.moment(fixed.first.occurred_at, zone)
    if fixed.at <= fixed.first.occurred_at:
        return f"{at}, before the first counted cycle ({ran})."
    return (
        f"{at}, after the first counted cycle ({ran}) and before that was entered "
        f"({words.moment(fixed.first.recorded_at, zone)}): trialog cannot tell who knew of the "
        "results then."
    )


def _changed_after(fixed: Fixed, zone: tzinfo) -> Iterator[str]:
    for change in fixed.late:
        what = f" ({', '.join(change.columns)})" if change.columns else ""
        yield (
            f"The {change.what} was changed after the first counted cycle{what}, on "
            f"{words.moment(change.at, zone)} by {change.person or 'the command line'}. A rule "
            "that is chosen after the results proves nothing."
        )
