"""Which tablets wrote a shift's lines, and what can be said of their clocks and their order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo

from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog.languages import t, tn
from trialog.records.models import Entry, Shift, Tablet
from trialog.records.shiftlog import COUNTED
from trialog.records.tablets import CLOCK_JUMP_SECONDS
from trialog.reports import words


@dataclass(frozen=True)
class TabletFacts:
    """One tablet's part in a shift; undone lines count too, for it wrote them.

    `unplaced_cycles`: its cycles that have no known place among the others, other than those that
    a counter reading supplied. `ahead_least_seconds` and `ahead_most_seconds`: how far its own
    clock ran ahead of the times that its lines are given here; negative where it ran behind.
    `clock_ahead_seconds` and `clock_moved_at`: the same against the server's clock when it last
    sent anything, and when that was last seen to jump, be it in this shift or not.
    """

    name: str
    lines: int
    cycles: int
    unplaced_cycles: int
    ahead_least_seconds: float | None
    ahead_most_seconds: float | None
    clock_ahead_seconds: float | None
    clock_moved_at: datetime | None
    words: str


def tablets_of(
    session: Session,
    shift: Shift,
    entries: Sequence[Entry],
    standing: Sequence[Entry],
    zone: tzinfo,
) -> tuple[TabletFacts, ...]:
    """Return the tablets that wrote a shift's lines, by name."""
    numbers = {entry.tablet_id for entry in entries if entry.tablet_id is not None}
    statement = select(Tablet).where(Tablet.id.in_(numbers)).order_by(Tablet.name)
    found = session.scalars(statement).all() if numbers else ()
    return tuple(_facts(tablet, shift, entries, standing, zone) for tablet in found)


def _facts(
    tablet: Tablet,
    shift: Shift,
    entries: Sequence[Entry],
    standing: Sequence[Entry],
    zone: tzinfo,
) -> TabletFacts:
    lines = [entry for entry in entries if entry.tablet_id == tablet.id]
    counted = [
        entry for entry in standing if entry.tablet_id == tablet.id and entry.kind in COUNTED
    ]
    ahead = [
        (entry.tablet_time - entry.occurred_at).total_seconds()
        for entry in lines
        if entry.tablet_time is not None
    ]
    least, most = min(ahead, default=None), max(ahead, default=None)
    unplaced = sum(
        entry.cycles or 0
        for entry in counted
        if entry.cycle_number is None and entry.counter is None
    )
    said = [f"{words.counted(len(lines), 'line')}.", _clock(least, most)]
    if _jumped_within(tablet, shift):
        moved = words.moment(tablet.clock_moved_at, zone)
        said.append(t("Its clock was seen to jump at {moment}.", moment=moved))
    if unplaced:
        said.append(_unplaced(unplaced))
    return TabletFacts(
        name=tablet.name,
        lines=len(lines),
        cycles=sum(entry.cycles or 0 for entry in counted),
        unplaced_cycles=unplaced,
        ahead_least_seconds=least,
        ahead_most_seconds=most,
        clock_ahead_seconds=tablet.clock_ahead_seconds,
        clock_moved_at=tablet.clock_moved_at,
        words=" ".join(said),
    )


def _jumped_within(tablet: Tablet, shift: Shift) -> bool:
    moved = tablet.clock_moved_at
    if moved is None or moved < shift.opened_at:
        return False
    return shift.closed_at is None or moved <= shift.closed_at


def _clock(least: float | None, most: float | None) -> str:
    if least is None or most is None:
        return t("What its clock said is not known.")
    if most - least > CLOCK_JUMP_SECONDS:
        return t(
            "Its clock differed from the times given here by between {least} and {most}: it was "
            "set, or lines waited. The order of its lines rests on its own numbers, not on its "
            "clock.",
            least=_ahead(least),
            most=_ahead(most),
        )
    middle = (least + most) / 2
    if abs(middle) < CLOCK_JUMP_SECONDS:
        return t("Its clock was right to the minute.")
    return t("Its clock was {ahead}; the times given here allow for that.", ahead=_ahead(middle))


def _ahead(seconds: float) -> str:
    if abs(seconds) < 1:
        return t("nothing")
    length = words.length(abs(seconds))
    return t("{time} ahead", time=length) if seconds > 0 else t("{time} behind", time=length)


def _unplaced(cycles: int) -> str:
    return tn(
        "{number} cycle has no known place among the others: tapped while it waited for the "
        "network and others logged, or between two counter readings. The verdict takes it once "
        "as early and once as late as can be.",
        "{number} cycles have no known place among the others: tapped while it waited for the "
        "network and others logged, or between two counter readings. The verdict takes them once "
        "as early and once as late as can be.",
        cycles,
    )
