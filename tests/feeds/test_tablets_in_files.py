"""Lines from tablets in files: which tablet, its clock, by the counter, after the closing."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import select
from support.cells import write

from trialog.feeds.identity import Identities
from trialog.records.entries import NewEntry
from trialog.records.models import AuditEvent, Tablet
from trialog.records.tablets import tablet_of_key
from trialog.records.verify import verify
from trialog.records.words import EntryKind

DAY = "2026-03-02T"
HEADER = (
    "shift,id,outcome,time,cycles,counter,modes,cycle,tablet,tablet_number,tablet_time,late,"
    "target,photo"
)


def log(*rows):
    return "\n".join([HEADER, *rows]) + "\n"


def tablets(intake):
    return intake.session.scalars(select(Tablet).order_by(Tablet.name)).all()


OPEN = f"A,o,open,{DAY}06:00Z,,100,,,,,,,,"
TAP = f"A,t1,good,{DAY}06:01Z,1,,,,blue,1,{DAY}08:01:02Z,,,"


def test_a_tablet_that_the_records_do_not_know_is_kept_by_name_and_revoked(intake, now):
    result = intake.imports(log(OPEN, TAP))
    (tablet,) = tablets(intake)
    assert (tablet.name, tablet.revoked_at, tablet.enrolled_by_id) == ("blue", now, None)
    assert (tablet.cell_id, tablet.seen_at) == (None, None)
    (line,) = intake.entries("good")
    assert (line.tablet_id, line.tablet_number) == (tablet.id, 1)
    assert line.tablet_time == datetime(2026, 3, 2, 8, 1, 2, tzinfo=UTC)
    assert result.tablets == ("blue",)
    assert result.in_words == (
        "Adds 2 lines to the logbook; blue: a tablet of other records, kept by name and revoked."
    )


def test_two_such_tablets_are_named(intake):
    result = intake.imports(log(OPEN, TAP, TAP.replace("t1", "t2").replace("blue", "'=green")))
    assert result.tablets == ("=green", "blue")
    assert result.in_words.endswith(
        "=green, blue: tablets of other records, kept by name and revoked."
    )


def test_nobody_can_log_with_such_a_tablet(intake):
    intake.imports(log(OPEN, TAP))
    (tablet,) = tablets(intake)
    assert tablet_of_key(intake.session, tablet.key_hash) is None
    assert len(tablet.key_hash) == 64


def test_a_tablet_that_is_known_by_name_is_that_one(intake, now):
    own = Tablet(name="blue", key_hash="own", enrolled_at=now)
    intake.session.add(own)
    intake.session.commit()
    result = intake.imports(log(OPEN, TAP))
    assert tablets(intake) == [own]
    assert intake.entries("good")[0].tablet_id == own.id
    assert (own.revoked_at, result.tablets) == (None, ())


def test_a_preview_names_the_tablets_and_adds_none(intake):
    assert intake.previews(log(OPEN, TAP)).tablets == ("blue",)
    assert tablets(intake) == []


def test_a_tablet_none_of_whose_lines_are_taken_is_not_kept(intake):
    beyond = TAP.replace(",1,,,,blue", ",0,,,,blue")
    result = intake.imports(log(OPEN, beyond), good_lines_only=True)
    assert (len(result.rejected), result.added, result.tablets) == (1, 1, ())
    assert tablets(intake) == []


def test_the_same_file_again_adds_no_tablet(intake):
    intake.imports(log(OPEN, TAP))
    again = intake.imports(log(OPEN, TAP))
    assert (again.added, again.repeated, again.tablets) == (0, 2, ())
    assert len(tablets(intake)) == 1


def test_lines_of_tablets_without_ids_are_known_again(intake):
    content = log(OPEN, TAP).replace(",o,", ",,").replace(",t1,", ",,")
    intake.imports(content)
    assert intake.imports(content).added == 0


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        (TAP.replace("blue,1,", "blue,,"), "number must be given by a tablet, and only by one"),
        (TAP.replace("blue,1,", ",1,"), "number must be given by a tablet, and only by one"),
        (TAP.replace("blue", "x" * 121), "tablet must be at most 120 characters"),
        (TAP.replace("Z,,,", ",,,"), "tablet_time must carry a time zone"),
        (f"A,p,photo,{DAY}06:02Z,,,,,,,,,t1,ab", "photo must be a photo's SHA-256 in hex"),
        (f"A,p,photo,{DAY}06:02Z,,,,,,,,,,{'ab' * 32}", "target must be given"),
        (f"A,p,photo,{DAY}06:02Z,,,,,,,,,o,{'ab' * 32}", "target must be a failed cycle"),
        (f"A,c,check,{DAY}06:02Z,2,,chips left,,,,,,,", "cycles must be between 1 and 1"),
        (f"A,n,note,{DAY}06:02Z,,7,,,,,,,,", "counter must be empty on a 'note' line"),
    ],
)
def test_a_line_that_breaks_a_rule_is_rejected_with_it(intake, reasons, row, reason):
    result = intake.imports(log(OPEN, row))
    assert reason in reasons(result)[3]


def test_good_cycles_by_the_counter_are_worked_out_or_given(intake):
    intake.imports(log(
        OPEN,
        f"A,g1,good,{DAY}06:01Z,,112,,,,,,,,",
        f"A,g2,good,{DAY}06:02Z,,112,,,,,,,,",
        f"A,g3,good,{DAY}06:03Z,5,117,,,,,,,,",
        f"A,x,close,{DAY}07:00Z,,117,,,,,,,,",
    ))  # fmt: skip
    goods = [(line.cycles, line.counter) for line in intake.entries("good")]
    # What a file gives with its reading is taken as it stands, and has a place unless it says no.
    assert goods == [(12, 112), (None, 112), (5, 117)]
    assert intake.totals() == (17, 17, 0)


def test_a_reading_that_cannot_be_right_is_rejected(intake, reasons):
    rows = [OPEN, f"A,g,good,{DAY}06:01Z,5,,,,,,,,,", f"A,c,good,{DAY}06:02Z,,104,,,,,,,,"]
    said = reasons(intake.imports(log(*rows)))
    assert said[4] == ("counter must cover the 5 logged cycles (opening reading 100), got 104")


def test_a_check_of_no_given_number_of_cycles_is_of_one(intake):
    intake.imports(log(OPEN, f"A,c,check,{DAY}06:01Z,,,,7,,,,,,"))
    (check,) = intake.entries("check")
    assert (check.cycles, check.cycle_number) == (1, 7)
    assert intake.totals() == (0, 0, 0)


CLOSE = f"A,x,close,{DAY}07:00Z,,101,,,,,,,,"
LATE = f"A,t2,good,{DAY}06:50Z,1,,,2,blue,2,,yes,,"


def test_a_line_that_was_tapped_before_the_closing_may_follow_it(intake, reasons):
    said = reasons(intake.imports(log(OPEN, TAP, CLOSE, LATE.replace("yes", ""))))
    assert list(said) == [5]
    intake.imports(log(OPEN, TAP, CLOSE, LATE))
    assert intake.kinds() == ["open", "good", "close", "good"]
    assert intake.totals() == (2, 2, 0)
    assert verify(intake.session) == []


def test_late_is_refused_where_it_means_nothing(intake, reasons):
    late_opening = OPEN[: -len(",,")] + "yes,,"
    said = reasons(intake.imports(log(late_opening, TAP)))
    assert said[2] == "late must be empty on a 'open' line, got 'yes'"


def test_an_import_says_which_lines_it_added(intake):
    intake.imports(log(OPEN, TAP))
    intake.imports(log(OPEN, TAP, f"A,t9,good,{DAY}06:09Z,1,,,,,,,,,"))
    events = intake.session.scalars(
        select(AuditEvent)
        .where(AuditEvent.action == "imported", AuditEvent.subject == "logbook")
        .order_by(AuditEvent.id)
    ).all()
    assert [event.details for event in events] == [
        {"first": 1, "last": 2}, {"first": 3, "last": 3},
    ]  # fmt: skip


def test_a_photo_that_came_by_import_is_not_missed_but_one_from_a_tablet_is(intake, now):
    failed = f"A,f,failed,{DAY}06:02Z,,,chips left,,,,,,,"
    intake.imports(log(OPEN, failed, f"A,p,photo,{DAY}06:03Z,,,,,,,,,f,{'ab' * 32}"))
    assert verify(intake.session) == []
    from_tablet = NewEntry(
        client_id="q", kind=EntryKind.PHOTO, target="f", photo="cd" * 32, occurred_at=now
    )
    write(intake.session, intake.cell, from_tablet, now=now)
    (found,) = verify(intake.session)
    assert "line 4" in found.what


def test_ids_are_what_they_were_before_there_were_tablets():
    """Made by the version before: a file imported with that one must be known by this one."""
    identities = Identities(7)
    line = NewEntry(
        client_id="-", kind=EntryKind.FAILED, shift="A", cycles=1, cycle_number=2, mode_ids=(3, 4),
        occurred_at=datetime(2026, 3, 2, 6, tzinfo=UTC), text="on the tray",
    )  # fmt: skip
    assert [identities.named(line).client_id for _ in range(2)] == [
        "93bc6c35-beb3-54a9-8464-fbe678efe1ef", "86583a75-cb30-5fd4-8749-641ace26551d",
    ]  # fmt: skip


def test_lines_that_differ_in_the_tablets_number_or_clock_have_ids_of_their_own():
    identities, moment = Identities(7), datetime(2026, 3, 2, 6, tzinfo=UTC)
    taps = [
        NewEntry(client_id="-", kind=EntryKind.GOOD, shift="A", cycles=1, tablet_id=-1,
                 tablet_number=number, tablet_time=moment + timedelta(seconds=seconds))
        for number, seconds in [(1, 0), (2, 0), (1, 5)]
    ]  # fmt: skip
    assert len({identities.named(tap).client_id for tap in taps}) == 3
