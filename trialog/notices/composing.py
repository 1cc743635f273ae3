"""What a notice says: a subject, a text for people, and the same as data for programs."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import Any

from sqlalchemy.orm import Session

from trialog.errors import TrialogError
from trialog.evidence import CAUTIONS, Verdict, judge, sign_offs
from trialog.notices.attaching import Along
from trialog.records.models import Notice, Shift, Trial, VerdictChange
from trialog.records.outbox import OPENED_AGAIN
from trialog.records.words import NoticeKind
from trialog.reports import sentences, words
from trialog.reports.shift_report import ShiftReport, build_shift_report


class NothingToTellError(TrialogError):
    """What a notice was about is not so any more."""


@dataclass(frozen=True)
class Message:
    """A composed notice. `data` adds to the text what a program would otherwise have to read."""

    subject: str
    text: str
    data: dict[str, Any]

    def as_dict(self, notice: Notice, place: Place) -> dict[str, Any]:
        """Return all of it under the documented keys."""
        return {
            "id": notice.payload["id"],
            "kind": str(notice.kind),
            "at": place.time(notice.created_at),
            **self.data,
            "subject": self.subject,
            "text": self.text,
            "cautions": list(CAUTIONS),
        }


@dataclass(frozen=True)
class Place:
    """Where and when a message is made: links begin with `url`, times are in `zone`."""

    url: str
    zone: tzinfo
    now: datetime

    def link(self, path: str) -> str | None:
        """Return the address of a page; None where nobody has said how people reach it."""
        return f"{self.url}{path}" if self.url else None

    def time(self, moment: datetime) -> str:
        """Return a time with its zone, for programs."""
        return moment.astimezone(self.zone).isoformat(timespec="seconds")

    def read(self, moment: datetime) -> str:
        """Return a time with its zone, for people."""
        return f"{words.moment(moment, self.zone)} ({words.zone_name(self.zone, self.now)})"


@dataclass(frozen=True)
class Standing:
    """How a trial stands, and each sign-off of it that has lapsed, in words."""

    trial_id: int
    verdict: Verdict
    lapsed: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """What is proven and what is missing."""
        return sentences.proven(self.verdict)

    @property
    def words(self) -> str:
        """The trial in a line."""
        return " ".join(
            [f"{self.verdict.trial}: {self.verdict.verdict}.", self.sentence, *self.lapsed]
        )

    def as_dict(self) -> dict[str, Any]:
        """The trial under the documented keys."""
        return {
            "id": self.trial_id,
            "name": self.verdict.trial,
            "subject": self.verdict.subject,
            "verdict": str(self.verdict.verdict),
            "cycles": self.verdict.evidence.cycles,
            "failures": self.verdict.evidence.failures,
            "upper": self.verdict.upper,
            "limit": self.verdict.limit,
            "proven_stretch_seconds": self.verdict.proven_stretch_seconds,
            "clean_cycles_to_go": self.verdict.clean_cycles_to_go,
            "sentence": self.sentence,
            "lapsed": list(self.lapsed),
        }


def compose(session: Session, notice: Notice, place: Place, along: Along | None = None) -> Message:
    """Say what a notice tells, from the records as they stand now.

    `along`: the kept report of the shift that it tells of, where there is one.

    Raises
    ------
    NothingToTellError
        If the shift was opened again since.
    """
    if notice.kind is NoticeKind.SHIFT_CLOSED:
        return _closing(session, session.get_one(Shift, notice.payload["shift"]), place, along)
    if notice.kind is NoticeKind.VERDICT_CHANGED:
        change = session.get_one(VerdictChange, notice.payload["change"])
        return _change(session, change, notice.payload["before"], place)
    return _test(notice, place)


def one_line(text: str) -> str:
    """Return a text as one line of signs that can be seen: nothing of it may begin a header."""
    return " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())


def _closing(session: Session, shift: Shift, place: Place, along: Along | None) -> Message:
    if shift.closed_at is None:
        raise NothingToTellError(OPENED_AGAIN)
    report = build_shift_report(session, shift, now=place.now, zone=place.zone, embed_photos=False)
    cycles = words.counted(report.logged, "cycle")
    link = place.link(f"/shifts/{shift.id}")
    stands = [Standing(now.trial_id, now.verdict, now.lapsed) for now in report.trials]
    text = _paragraphs(
        f"Shift {report.shift} on {report.cell.name} ({report.stage}) was closed at "
        f"{place.read(shift.closed_at)}.",
        f"{cycles} logged: {report.good:,} good, {report.failed:,} failed, "
        f"{report.no_tests:,} no-test.{_modes(report)}\n{report.counter.words}\n"
        f"{report.parked.words}",
        report.sentence,
        "\n".join(["The trials of this stage:", *(f"- {one.words}" for one in stands)])
        if stands
        else "No trial of this stage has been started.",
        *_report_words(along, place),
        *_ending(link),
    )
    return Message(
        subject=one_line(
            f"{report.cell.name}: shift {report.shift} closed, {cycles}, {report.failed:,} failed"
        ),
        text=text,
        data={
            "link": link,
            "cell": {"id": shift.cell_id, "name": report.cell.name},
            "shift": _shift_data(report, shift, place),
            "report": None if along is None else along.as_dict(_report_link(along, place)),
            "trials": [one.as_dict() for one in stands],
        },
    )


def _report_link(along: Along, place: Place) -> str | None:
    return place.link(f"/reports/{along.report_id}")


def _report_words(along: Along | None, place: Place) -> list[str]:
    """Say where the report is that was made at the close: with the mail, and on its page."""
    if along is None:
        return []
    link = _report_link(along, place)
    kept = "" if link is None else f"The report as it was made then is kept: {link}"
    said = "\n".join(one for one in (along.words, kept) if one)
    return [said] if said else []


def _modes(report: ShiftReport) -> str:
    """Say how often each failure mode was seen, the most frequent first."""
    seen = Counter(line.mode for line in report.failures)
    return f" Seen: {', '.join(f'{mode} {n:,}' for mode, n in seen.most_common())}." if seen else ""


def _shift_data(report: ShiftReport, shift: Shift, place: Place) -> dict[str, Any]:
    numbers = {name: getattr(report, name) for name in ("logged", "good", "failed", "no_tests")}
    return {
        "id": shift.id,
        "label": report.shift,
        "stage": report.stage,
        "opened_at": place.time(report.opened_at),
        "closed_at": place.time(report.closed_at or place.now),
        **numbers,
        "unlogged": report.counter.unlogged,
        "parked_lines": report.parked.lines,
        "sentence": report.sentence,
    }


def _change(session: Session, change: VerdictChange, before: str, place: Place) -> Message:
    trial = session.get_one(Trial, change.trial_id)
    verdict = judge(session, trial)
    now = Standing(
        trial.id, verdict, tuple(sentences.lapsed(sign_offs(session, trial, verdict), place.zone))
    )
    link = place.link(f"/trials/{trial.id}")
    moved = verdict.verdict != change.verdict
    since = f" Since then it has become {verdict.verdict}." if moved else ""
    failures = words.counted(change.failures, "relevant failure")
    text = _paragraphs(
        f"The verdict of the trial {trial.name} on {trial.cell.name} ({trial.stage}) went from "
        f"{before} to {change.verdict} at {place.read(change.at)}, after "
        f"{words.counted(change.cycles, 'counted cycle')} with {failures}.{since}",
        f"Lines that did not hold then: {words.listed(list(change.unmet)) or 'none'}.",
        f"As it stands now: {now.words}",
        *_ending(link),
    )
    return Message(
        subject=one_line(f"{trial.cell.name}: {trial.name} is {change.verdict}, was {before}"),
        text=text,
        data={
            "link": link,
            "cell": {"id": trial.cell_id, "name": trial.cell.name},
            "change": {
                "before": before,
                "verdict": change.verdict,
                "at": place.time(change.at),
                "cycles": change.cycles,
                "failures": change.failures,
                "unmet": list(change.unmet),
            },
            "trials": [now.as_dict()],
        },
    )


def _test(notice: Notice, place: Place) -> Message:
    who, when = notice.payload["asked_by"], place.read(notice.created_at)
    text = _paragraphs(
        f"This is a test, asked for by {who} at {when}. Nothing has happened at any machine.",
        "Notices come like this one when a shift is closed and when a verdict changes.",
    )
    return Message("trialog: a test notice", text, {"link": place.link("/"), "trials": []})


def _ending(link: str | None) -> list[str]:
    cautions = "\n".join(f"- {caution}" for caution in CAUTIONS)
    return [*([f"Read it all: {link}"] if link else []), f"Cautions:\n{cautions}"]


def _paragraphs(*parts: str) -> str:
    return "\n\n".join(parts) + "\n"
