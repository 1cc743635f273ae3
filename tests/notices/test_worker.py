"""The worker: sends while the server runs, outlives what goes wrong, and ends with it."""

from __future__ import annotations

import threading

import pytest
from sqlalchemy import select

from trialog.notices import sending, worker
from trialog.notices.worker import GOODBYE_SECONDS
from trialog.records.models import KeptReport
from trialog.reports.keeping import keep_due

from .conftest import by_webhook

PATIENCE = 60


def test_what_is_written_while_it_runs_goes_out(shop, post, receiver):
    with sending(post(by_webhook(receiver)), every=0.01):
        shop.close_shift()
        assert receiver.came.acquire(timeout=PATIENCE)
    assert len(receiver.received) == 1
    assert "notices" not in {thread.name for thread in threading.enumerate()}


@pytest.mark.database("sqlite")  # how a report is kept is tried on both elsewhere
def test_without_a_channel_reports_are_kept_all_the_same(shop, post, monkeypatch):
    looks = threading.Semaphore(0)

    def counted(*arguments, **options):
        made = keep_due(*arguments, **options)
        looks.release(made)
        return made

    monkeypatch.setattr(worker, "keep_due", counted)
    with sending(post({}), every=0.01):
        shop.close_shift()
        assert looks.acquire(timeout=PATIENCE)
    shop.session.rollback()
    assert shop.session.scalars(select(KeptReport.title)).all() == ["Shift Monday early, Lathe 4"]


@pytest.mark.database("sqlite")  # what breaks is put in place of any database
def test_reports_that_cannot_be_looked_up_hold_up_no_notice(
    shop, post, receiver, monkeypatch, caplog
):
    def broken(*_arguments, **_options):
        raise RuntimeError("no database today")

    monkeypatch.setattr(worker, "keep_due", broken)
    with sending(post(by_webhook(receiver)), every=0.01):
        shop.close_shift()
        assert receiver.came.acquire(timeout=PATIENCE)
    assert "reports could not be looked up or kept" in caplog.text


@pytest.mark.database("sqlite")  # what breaks is put in place of any database
def test_a_database_that_is_gone_for_a_while_is_waited_for(
    shop, post, receiver, monkeypatch, caplog
):
    whole, looks = worker.deliver_due, threading.Semaphore(0)

    def broken(*_arguments, **_options):
        looks.release()
        raise RuntimeError("no database today")

    monkeypatch.setattr(worker, "deliver_due", broken)
    with sending(post(by_webhook(receiver)), every=0.01):
        shop.close_shift()
        assert looks.acquire(timeout=PATIENCE)
        assert looks.acquire(timeout=PATIENCE)
        monkeypatch.setattr(worker, "deliver_due", whole)
        assert receiver.came.acquire(timeout=PATIENCE)
    assert "the next look tries again" in caplog.text


@pytest.mark.database("sqlite")  # nothing of the end depends on it
def test_its_end_waits_for_no_server(shop, post, receiver, monkeypatch):
    answer = threading.Event()
    receiver.answer = lambda _request: answer.wait() and 204
    monkeypatch.setattr(worker, "GOODBYE_SECONDS", GOODBYE_SECONDS / 100)
    with sending(post(by_webhook(receiver)), every=0.01):
        shop.close_shift()
        shop.close_shift("Monday late")
        assert receiver.came.acquire(timeout=PATIENCE)
    answer.set()  # only after the end, which had not waited for it
    under_way = [one for one in threading.enumerate() if one.name == "notices"]
    for thread in under_way:
        thread.join()
    assert len(receiver.received) == 1  # the next one was left for the next start
