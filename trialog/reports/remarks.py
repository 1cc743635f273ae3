"""What must be said beside the first sentence where a trial is in a special case.

Each case has a sentence of its own, so that nobody reads more into the numbers than they hold.
"""

from __future__ import annotations

from collections.abc import Iterator

from trialog.evidence import Verdict
from trialog.evidence.worst_case import worst_case
from trialog.languages import t, tn
from trialog.reports import words


def remarks(verdict: Verdict) -> tuple[str, ...]:
    """Say what is special about a trial's numbers; nothing where no cycle was counted."""
    if not verdict.evidence.cycles:
        return ()
    return (*_no_failure(verdict), *_one_shift(verdict), *_worst_case(verdict))


def _no_failure(verdict: Verdict) -> Iterator[str]:
    """Say that no failure seen is not no failure to come."""
    if verdict.evidence.failures == 0 and verdict.upper < 1:
        yield t(
            "No failure in {cycles} does not mean that none will come: the failure rate may still "
            "be up to {rate} ({one_in}).",
            cycles=words.counted(verdict.evidence.cycles, "counted cycle"),
            rate=words.rate_up(verdict.upper),
            one_in=words.one_in(verdict.upper),
        )


def _one_shift(verdict: Verdict) -> Iterator[str]:
    """Say that one shift's circumstances are no others'."""
    if len(verdict.evidence.coverage.shift_ids) == 1:
        yield t("All of it ran in one shift: nothing shows that another shift would go as well.")


def _worst_case(verdict: Verdict) -> Iterator[str]:
    """Say where cycles that nobody logged could turn the plan's decision."""
    worst = worst_case(verdict.evidence, verdict.plan, verdict.standing)
    if worst is None or worst.standing.decision == verdict.standing.decision:
        return
    yield tn(
        "At worst it is otherwise: were the {number} cycle that nobody logged a failure, the plan "
        "would say {worst} instead of {now}.",
        "At worst it is otherwise: were each of the {number} cycles that nobody logged a failure, "
        "the plan would say {worst} instead of {now}.",
        worst.unlogged,
        worst=t(worst.standing.decision),
        now=t(verdict.standing.decision),
    )
