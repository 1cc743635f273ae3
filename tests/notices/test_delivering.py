"""Sending: again with growing pauses, by one at a time, at least once whatever ends meanwhile."""

from __future__ import annotations

import json
import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pytest
from support.cells import closing, good, opening, undo

from trialog.notices import (
    Post,
    count_undelivered,
    deliver_due,
    delivering,
    left_untried,
    list_notices,
    settle_unset,
    try_again,
)
from trialog.notices.delivering import CLAIM, PAUSES
from trialog.records.database import make_sessions, unit_of_work
from trialog.records.pulse import pulse
from trialog.records.words import NoticeChannel

from .conftest import by_mail, by_webhook

WEBHOOK = NoticeChannel.WEBHOOK


def bodies(receiver):
    return [request.body for request in receiver.received]


def ids(receiver):
    return [request.headers["X-Trialog-Id"] for request in receiver.received]


@pytest.mark.usefixtures("forms")  # no printing where that is not the point
def test_both_channels_get_their_own_once(shop, post, receiver, mailbox):
    sender = post(by_mail(mailbox.port) | by_webhook(receiver))
    shop.close_shift()
    assert deliver_due(sender) == 2
    assert deliver_due(sender) == 0
    assert (len(mailbox.mails), len(receiver.received)) == (1, 1)
    assert all(one.delivered_at and one.next_try_at is None for one in shop.kept())


def test_each_try_comes_later_after_the_last_than_that_did_and_then_it_is_given_up(
    shop, post, receiver, clock
):
    receiver.answer = lambda _request: 500
    sender = post(by_webhook(receiver))
    shop.close_shift()
    begun = clock()
    for pause in PAUSES:
        assert deliver_due(sender) == 0
        (notice,) = shop.kept()
        assert notice.next_try_at == clock() + pause
        clock.now = notice.next_try_at - timedelta(seconds=1)
        tries = len(receiver.received)
        deliver_due(sender)
        assert len(receiver.received) == tries  # not a second early
        clock.move(seconds=1)
    deliver_due(sender)
    (notice,) = shop.kept()
    assert (notice.tries, notice.next_try_at, notice.delivered_at) == (len(PAUSES) + 1, None, None)
    assert notice.last_error == "the receiver answered 500 Internal Server Error"
    assert clock() - begun <= timedelta(days=1)
    clock.move(days=30)
    deliver_due(sender)
    assert len(receiver.received) == len(PAUSES) + 1
    assert len(set(bodies(receiver))) == 1
    assert sorted(PAUSES) == list(PAUSES)


def test_it_gets_through_as_soon_as_it_can_the_same_as_at_first(shop, post, receiver, clock):
    receiver.answer = lambda _request: 503
    sender = post(by_webhook(receiver))
    shop.close_shift()
    deliver_due(sender)
    shop.write(opening("Monday late"), good("Monday late", 9))  # the records go on meanwhile
    receiver.answer = lambda _request: 200
    clock.move(minutes=1)
    deliver_due(sender)
    first, second = bodies(receiver)
    assert first == second
    assert shop.kept()[0].last_error == ""


@pytest.mark.usefixtures("forms")  # no printing where that is not the point
def test_one_that_fails_holds_up_no_other(shop, post, receiver, mailbox):
    mailbox.say_after_data = "554 no"
    sender = post(by_mail(mailbox.port) | by_webhook(receiver))
    shop.close_shift()
    assert deliver_due(sender) == 1
    assert len(receiver.received) == 1


def test_one_that_cannot_be_composed_holds_up_no_other(shop, post, receiver, monkeypatch, caplog):
    sender = post(by_webhook(receiver))
    shop.close_shift()
    shop.close_shift("Monday late")
    whole, calls = delivering.compose, []

    def broken_once(*arguments):
        calls.append(arguments)
        if len(calls) == 1:
            raise LookupError("no such thing")
        return whole(*arguments)

    monkeypatch.setattr(delivering, "compose", broken_once)
    assert deliver_due(sender) == 1
    first, second = shop.kept()
    assert (first.last_error, first.delivered_at) == ("no such thing", None)
    assert second.delivered_at is not None
    assert "could not be sent" in caplog.text


def test_of_two_that_send_at_once_one_has_it(shop, post, receiver, engine):
    sender = post(by_webhook(receiver))
    shop.close_shift()
    answer = threading.Event()
    receiver.answer = lambda _request: answer.wait() and 204
    first = threading.Thread(target=deliver_due, args=[sender])
    first.start()
    receiver.came.acquire()
    other = Post(
        sessions=make_sessions(engine), settings=sender.settings, zone=sender.zone,
        clock=sender.clock,
    )  # fmt: skip
    assert deliver_due(other) == 0
    answer.set()
    first.join()
    assert len(receiver.received) == 1
    assert shop.kept()[0].delivered_at is not None


def test_of_two_that_found_it_at_the_same_moment_one_sends_it(shop, post, receiver, monkeypatch):
    sender = post(by_webhook(receiver))
    shop.close_shift()
    whole, together, here = delivering._due, threading.Barrier(2, timeout=60), threading.local()

    def found_together(post):
        found = whole(post)
        if not hasattr(here, "met"):
            here.met = together.wait()
        return found

    monkeypatch.setattr(delivering, "_due", found_together)
    with ThreadPoolExecutor(2) as pool:
        assert sum(pool.map(deliver_due, [sender, sender])) == 1
    assert len(receiver.received) == 1
    assert shop.kept()[0].tries == 1


def test_the_log_waits_for_no_server(shop, post, receiver):
    sender = post(by_webhook(receiver))
    shop.close_shift()
    answer = threading.Event()
    receiver.answer = lambda _request: answer.wait() and 204
    worker = threading.Thread(target=deliver_due, args=[sender])
    worker.start()
    receiver.came.acquire()
    shop.close_shift("Monday late")  # a whole shift is written while the receiver keeps mum
    assert len(shop.kept()) == 2
    answer.set()
    worker.join()


def test_what_ended_between_sending_and_noting_is_sent_once_more_the_same(
    shop, post, receiver, clock, monkeypatch
):
    class PowerCut(BaseException):
        """Ends what runs like nothing that anybody could handle."""

    def cut(*_arguments, **_options):
        raise PowerCut

    sender = post(by_webhook(receiver))
    shop.close_shift()
    with monkeypatch.context() as patch:
        patch.setattr(delivering, "_settle", cut)
        with pytest.raises(PowerCut):
            deliver_due(sender)
    assert shop.kept()[0].delivered_at is None
    assert deliver_due(sender) == 0  # it may still be under way
    clock.move(seconds=CLAIM.total_seconds())
    assert deliver_due(sender) == 1
    assert len(set(ids(receiver))) == len(set(bodies(receiver))) == 1
    assert len(receiver.received) == 2


def assert_settled(shop, people, clock):
    """Hold that the one notice counts neither as waiting nor as lost, and is not tried again."""
    shop.session.rollback()
    assert [line.state for line in list_notices(shop.session, most=10)] == ["settled"]
    found = pulse(shop.session, now=clock())
    assert (found.notices_waiting, found.notices_given_up) == (0, 0)
    assert count_undelivered(shop.session) == 0
    with unit_of_work(shop.session):
        assert try_again(shop.session, [*NoticeChannel], actor=people.admin, now=clock()) == 0
    assert shop.kept()[0].next_try_at is None


def test_what_was_opened_again_is_not_told_and_nobody_misses_it(
    shop, post, receiver, people, clock
):
    sender = post(by_webhook(receiver))
    shop.close_shift(closed=False)
    close = closing("Monday early")
    shop.write(close)
    shop.write(undo(close.client_id), actor=people.engineer)
    assert deliver_due(sender) == 0
    (notice,) = shop.kept()
    assert (notice.next_try_at, receiver.received) == (None, [])
    assert notice.last_error == "the shift was opened again before this notice went out"
    assert_settled(shop, people, clock)


def test_what_was_given_up_can_be_tried_again(shop, post, receiver, clock, people):
    receiver.answer = lambda _request: 500
    sender = post(by_webhook(receiver))
    shop.close_shift()
    for _ in range(len(PAUSES) + 1):
        deliver_due(sender)
        clock.now = shop.kept()[0].next_try_at or clock.now
    receiver.answer = lambda _request: 200
    with unit_of_work(shop.session):
        assert try_again(shop.session, [WEBHOOK], actor=people.admin, now=clock()) == 1
    assert deliver_due(sender) == 1
    with unit_of_work(shop.session):
        assert try_again(shop.session, [WEBHOOK], actor=people.admin, now=clock()) == 0
    assert len(set(bodies(receiver))) == 1


@pytest.mark.parametrize("lost", [False, True])
def test_what_did_not_get_through_over_a_channel_that_is_gone_is_settled(
    shop, post, receiver, people, clock, *, lost
):
    sender = post(by_webhook(receiver))
    shop.close_shift()
    if lost:
        receiver.answer = lambda _request: 500
        for _ in range(len(PAUSES) + 1):
            deliver_due(sender)
            clock.now = shop.kept()[0].next_try_at or clock.now
        assert pulse(shop.session, now=clock()).notices_given_up == 1
    assert settle_unset(sender.sessions, [WEBHOOK]) == 0
    assert settle_unset(sender.sessions, [NoticeChannel.MAIL]) == 1
    assert settle_unset(sender.sessions, []) == 0
    (notice,) = shop.kept()
    assert (notice.next_try_at, notice.last_error) == (None, "its channel is no longer set")
    assert_settled(shop, people, clock)


def test_what_cannot_be_sent_from_here_is_not_tried_again_and_that_is_said(
    shop, post, receiver, people, clock
):
    sender = post(by_webhook(receiver))
    shop.close_shift()
    shop.tell_over(NoticeChannel.MAIL)
    shop.close_shift("Monday late")
    (later,) = [one for one in shop.kept() if one.channel is NoticeChannel.MAIL]
    due = later.next_try_at
    clock.move(minutes=1)
    with unit_of_work(shop.session):
        assert try_again(shop.session, [WEBHOOK], actor=people.admin, now=clock()) == 1
    assert left_untried(shop.session, [WEBHOOK]) == [
        "Not tried again: 1 notice over e-mail, which is not set here. "
        "A server that starts without e-mail settles what waits for it."
    ]
    assert left_untried(shop.session, [*NoticeChannel]) == []
    assert deliver_due(sender) == 1
    (left,) = [one for one in shop.kept() if one.delivered_at is None]
    assert (left.id, left.next_try_at) == (later.id, due)


def test_the_list_says_how_far_each_got(shop, post, receiver):
    receiver.answer = lambda _request: 204 if len(receiver.received) == 1 else 500
    sender = post(by_webhook(receiver))
    shop.close_shift()
    shop.close_shift("Monday late")
    waiting, _ = list_notices(shop.session, most=10)
    assert (waiting.state, waiting.about) == ("waiting", "shift closed, not composed yet")
    deliver_due(sender)
    shop.session.rollback()
    late, early = list_notices(shop.session, most=10)
    assert (early.state, early.tries, early.error) == ("sent", 1, "")
    assert (late.state, late.error) == (
        "waiting",
        "the receiver answered 500 Internal Server Error",
    )
    subject = json.loads(receiver.received[0].body)["subject"]
    assert early.about == subject
    assert [line.id for line in list_notices(shop.session, most=1)] == [late.id]
