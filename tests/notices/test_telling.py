"""What is told: a shift's end and another verdict, in the transaction of the change."""

from __future__ import annotations

from datetime import timedelta

import pytest
from support.cells import closing, undo

from trialog.evidence import note_verdicts
from trialog.notices import tell_verdicts
from trialog.records.database import unit_of_work
from trialog.records.logbook import write_entries
from trialog.records.models import VerdictChange
from trialog.records.outbox import channels_set
from trialog.records.words import NoticeChannel, NoticeKind

BOTH = (NoticeChannel.MAIL, NoticeChannel.WEBHOOK)


@pytest.fixture
def talkative(shop):
    """Return a shop that tells over both channels."""
    shop.tell_over(*BOTH)
    return shop


def test_a_closed_shift_is_told_once_over_each_channel(talkative, now):
    talkative.close_shift()
    notices = talkative.kept()
    assert [(one.kind, one.channel) for one in notices] == [
        (NoticeKind.SHIFT_CLOSED, channel) for channel in BOTH
    ]
    assert all((one.tries, one.created_at, one.next_try_at) == (0, now, now) for one in notices)
    assert len({one.payload["id"] for one in notices}) == 2


def test_without_a_channel_nothing_is_kept(shop):
    shop.close_shift()
    assert shop.kept() == []


def test_an_open_shift_tells_nothing(talkative):
    talkative.close_shift(closed=False)
    assert talkative.kept() == []


def test_what_was_rolled_back_is_not_told(talkative, session, cell, now):
    talkative.close_shift(closed=False)

    def write_and_fail():
        with unit_of_work(session):
            write_entries(session, cell.cell, [closing("Monday early")], actor=None, now=now)
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        write_and_fail()
    assert talkative.kept() == []


def test_a_shift_opened_again_and_closed_again_is_told_again(talkative, people):
    talkative.close_shift(closed=False)
    first = closing("Monday early")
    talkative.write(first)
    talkative.write(undo(first.client_id), actor=people.engineer)
    assert len(talkative.kept()) == 2
    talkative.write(closing("Monday early"))
    assert len(talkative.kept()) == 4


@pytest.mark.parametrize(("days", "told"), [(0, 2), (3, 2), (3.01, 0), (40, 0)])
def test_a_paper_log_of_long_ago_is_no_news(talkative, now, days, told):
    ended = now - timedelta(days=days)
    talkative.close_shift("Old", now=ended, closed=False)
    talkative.write(closing("Old", occurred_at=ended))
    assert len(talkative.kept()) == told


@pytest.mark.database("sqlite")  # reads two names
def test_the_environment_says_which_channels_a_command_tells_over():
    assert channels_set({}) == ()
    assert channels_set({"TRIALOG_SMTP_HOST": "mail", "TRIALOG_WEBHOOK_URL": ""}) == BOTH[:1]
    assert channels_set({"TRIALOG_WEBHOOK_URL": "https://x"}) == BOTH[1:]


@pytest.fixture
def note(talkative, session, now):
    """Return the function that notes a verdict of a trial and tells it."""
    trial = talkative.start_trial()

    def noted(verdict, unmet=()):
        with unit_of_work(session):
            change = VerdictChange(
                trial_id=trial.id, at=now, verdict=verdict, cycles=1, failures=0,
                unmet=list(unmet), chain_length=1,
            )  # fmt: skip
            session.add(change)
            session.flush()
            tell_verdicts(session, [change], now=now)

    return noted


def told(notices):
    return [one.payload["before"] for one in notices if one.channel is NoticeChannel.MAIL]


def test_another_word_is_told_and_other_open_lines_are_not(talkative, note):
    note("KEEP RUNNING", ["plan"])
    assert talkative.kept() == []  # every trial begins like this
    note("KEEP RUNNING", ["plan", "log"])
    assert talkative.kept() == []
    note("GO")
    note("NO-GO", ["damage"])
    note("KEEP RUNNING", ["plan"])
    assert told(talkative.kept()) == ["KEEP RUNNING", "GO", "NO-GO"]


def test_a_first_verdict_that_is_not_the_usual_one_is_told(talkative, note):
    note("NO-GO", ["damage"])
    assert told(talkative.kept()) == ["KEEP RUNNING"]


def test_what_the_records_note_is_what_is_told(talkative, session, cell, now):
    talkative.start_trial()
    talkative.close_shift(good=0)
    with unit_of_work(session):
        changes = note_verdicts(session, cell.cell, now=now)
        tell_verdicts(session, changes, now=now)
    about = [one for one in talkative.kept() if one.kind is NoticeKind.VERDICT_CHANGED]
    assert [change.verdict for change in changes] == ["NO-GO"]
    assert {one.payload["change"] for one in about} == {changes[0].id}
