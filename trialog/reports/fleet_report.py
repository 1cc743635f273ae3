"""The overview of all cells: which of them need somebody, and how far each has come."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from typing import Any

from sqlalchemy.orm import Session

from trialog.evidence import cautions
from trialog.languages import counted, listed, mark, t
from trialog.records.queries import cells
from trialog.reports import methods, words
from trialog.reports.plain import plain
from trialog.reports.standings import CellStanding, Need, Standing, cell_standing, pressing

HOW_MANY = {
    Need.LAPSED: mark("{number} with a lapsed sign-off"),
    Need.REFUSED: mark("{number} that somebody refused to sign"),
    Need.CHANGED: mark("{number} with rules changed late"),
    Need.NO_GO: mark("{number} NO-GO"),
    Need.PARKED: mark("{number} with lines not taken"),
    Need.TO_SIGN: mark("{number} to be signed"),
    Need.RUNNING: mark("{number} to keep running"),
    Need.NO_TRIAL: mark("{number} without a trial"),
    Need.READY: mark("{number} ready"),
}
"""How many cells need somebody for what, in words that fit any number."""


@dataclass(frozen=True)
class FleetReport:
    """Everything the overview of all cells says.

    `cells`: the most pressing first; where `find` is not empty only those whose particulars,
    devices or trials hold it. `of`: how many cells there are.
    """

    sentence: str
    find: str
    of: int
    alone: int
    cells: tuple[CellStanding, ...]
    cautions: tuple[str, ...]
    methods: tuple[str, ...]
    produced_at: datetime
    zone: str
    clock: tzinfo = field(metadata={"omit": True})


def build_fleet_report(
    session: Session,
    *,
    now: datetime,
    zone: tzinfo,
    find: str = "",
    standing: Standing = cell_standing,
) -> FleetReport:
    """Gather how all cells stand now; `standing` for who remembers how they stood."""
    all_of_them = [standing(session, cell, zone) for cell in cells(session)]
    found = [one for one in all_of_them if _holds(one, find)]
    return FleetReport(
        sentence=_sentence(all_of_them, found, find),
        find=find,
        of=len(all_of_them),
        alone=sum(one.may_run_alone for one in found),
        cells=tuple(sorted(found, key=pressing)),
        cautions=cautions(),
        methods=methods.for_fleet(),
        produced_at=now,
        zone=words.zone_name(zone, now),
        clock=zone,
    )


def _holds(one: CellStanding, find: str) -> bool:
    """Say whether every word that is looked for stands in what is known of a cell."""
    known = [
        one.cell.name, one.cell.machine, one.cell.part, one.cell.operation,
        *(named for trial in one.trials for named in (trial.trial, trial.subject, trial.verdict)),
        *(t(trial.verdict) for trial in one.trials),
        *(said for need in one.attention for said in (need.need, t(need.need), need.words)),
    ]  # fmt: skip
    text = "\n".join(known).casefold()
    return all(word in text for word in find.casefold().split())


def _sentence(known: Sequence[CellStanding], found: Sequence[CellStanding], find: str) -> str:
    if not known:
        return t("No cell is set up yet.")
    if not found:
        return t("No cell of {number} matches “{find}”.", number=len(known), find=find)
    alone = sum(one.may_run_alone for one in found)
    needs = Counter(Need(one.attention[0].need) for one in found)
    parts = [t(HOW_MANY[need], number=needs[need]) for need in Need if needs[need]]
    may = (
        t("none may be left alone yet")
        if not alone
        else t("{number} may be left alone", number=alone)
    )
    return t(
        "{cells}: {may}. By what is most pressing: {parts}.",
        cells=counted(len(found), "cell"), may=may, parts=listed(parts),
    )  # fmt: skip


def fleet_report_as_dict(report: FleetReport) -> dict[str, Any]:
    """Return the overview as plain data, with the documented keys."""
    as_dict: dict[str, Any] = plain(report, report.clock)
    return as_dict
