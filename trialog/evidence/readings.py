"""Good cycles that a counter reading alone vouches for: which of those readings cannot be right.

Where only failures are tapped, one wrong digit makes cycles that the machine never ran, and the
log then agrees with the counter. Two things give it away: the counter reads less at the next
opening than at the closing before, or more was counted than the machine can make in the time.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from itertools import pairwise

from trialog.evidence.reconciling import went_round
from trialog.languages import t
from trialog.records.models import Shift

FASTEST = 2.0
"""How much faster than planned a machine may run; our choice, no source."""


def doubtful_readings(
    shifts: Sequence[Shift], logged: dict[int, int], bearing: Collection[int]
) -> tuple[str, ...]:
    """Say of each shift in doubt what speaks against its readings.

    `shifts`: all of the cell, in order; `bearing`: those of the evidence. Only shifts with good
    cycles by the counter are asked, and none whose reading an engineer has written in since.
    """
    asked = {shift.id for shift in shifts if shift.good_by_counter and not shift.settled}
    found: dict[int, str] = {}
    for shift in shifts:
        if shift.id in asked and _too_fast(shift, logged.get(shift.id, 0)):
            found[shift.id] = t(
                "{shift}: more cycles by the counter than its time allows", shift=shift.label
            )
    for shift_id, words in _falls(shifts, asked):
        found.setdefault(shift_id, words)
    return tuple(found[shift.id] for shift in shifts if shift.id in found and shift.id in bearing)


def _too_fast(shift: Shift, logged: int) -> bool:
    if shift.closed_at is None:
        return False
    seconds = (shift.closed_at - shift.opened_at).total_seconds()
    return logged * shift.cell.planned_cycle_seconds > FASTEST * seconds


def _falls(shifts: Sequence[Shift], asked: Collection[int]) -> Iterator[tuple[int, str]]:
    """Find where the counter fell between two shifts; to 0 it was reset, as many shops do."""
    for before, after in pairwise(shifts):
        closing, opening = before.closing_counter, after.opening_counter
        if closing is None or not opening or opening >= closing:
            continue
        modulus = after.cell.counter_modulus
        if modulus is not None and went_round(closing, opening, modulus):
            continue
        for shift_id in {before.id, after.id} & set(asked):
            yield (
                shift_id,
                t(
                    "{after} opened at {opening}, {before} closed at {closing}",
                    after=after.label,
                    opening=opening,
                    before=before.label,
                    closing=closing,
                ),
            )
