"""`notices`: the list, another try from the command line, and a server that is killed meanwhile."""

from __future__ import annotations

import json
import threading

import pytest
from support.receiver import http_receiver

from trialog.cli import demo
from trialog.notices import settle_unset
from trialog.records.outbox import CHANNELS, tell
from trialog.records.words import NoticeChannel, NoticeKind
from trialog.web.settings import load_settings

SECRET = "only for these tests"


@pytest.fixture
def receiver():
    with http_receiver() as receiver:
        yield receiver


@pytest.fixture
def told(session, now):
    """Keep a test notice for a webhook."""
    session.info[CHANNELS] = [NoticeChannel.WEBHOOK]
    tell(session, NoticeKind.TEST, now=now, asked_by="Ida")
    session.commit()


@pytest.fixture
def webhook(monkeypatch, receiver):
    monkeypatch.setenv("TRIALOG_WEBHOOK_URL", receiver.url)
    monkeypatch.setenv("TRIALOG_WEBHOOK_SECRET", SECRET)
    return receiver


@pytest.fixture
def serve(start, database, webhook, tmp_path):
    """Return the function that starts a server which tells over the webhook."""
    given = {
        "TRIALOG_DATABASE_URL": database, "TRIALOG_DATA_FOLDER": str(tmp_path),
        "TRIALOG_WEBHOOK_URL": webhook.url, "TRIALOG_WEBHOOK_SECRET": SECRET,
    }  # fmt: skip
    return lambda: start("serve", "--port", "0", **given)


def test_without_notices_or_channels_it_says_so(trialog):
    said = trialog("notices")
    assert said.exit_code == 0
    assert said.stdout == (
        "Notices go over no channel: neither e-mail nor a webhook is set. 0 notices not through.\n"
    )
    assert json.loads(trialog("notices", "--json").stdout) == {"channels": [], "notices": []}


def test_the_list_names_what_waits(trialog, told, webhook):
    said = trialog("notices", "--time-zone", "Europe/Berlin").stdout
    assert said.startswith("Notices go over webhook. 1 notice not through.\n")
    assert "2026-03-02 15:00  webhook  waiting   test, not composed yet" in said
    assert webhook.received == []


def test_retry_sends_from_here_and_says_what_did_not_get_through(trialog, told, webhook):
    webhook.answer = lambda _request: 500
    said = trialog("notices", "--retry")
    assert said.exit_code == 1
    assert "tries: 1; the receiver answered 500 Internal Server Error" in said.stdout
    webhook.answer = lambda _request: 204
    said = trialog("notices", "--retry", "--json")
    assert said.exit_code == 0
    line = json.loads(said.stdout)["notices"][0]
    assert (line["state"], line["tries"], line["error"]) == ("sent", 1, "")
    assert len({request.body for request in webhook.received}) == 1


@pytest.mark.usefixtures("webhook")
def test_retry_names_what_it_leaves_until_a_server_settles_it(
    trialog, told, session, sessions, now
):
    session.info[CHANNELS] = [NoticeChannel.MAIL]
    tell(session, NoticeKind.TEST, now=now, asked_by="Ida")
    session.commit()
    said = trialog("notices", "--retry", "--json")
    assert said.exit_code == 1
    assert "Not tried again: 1 notice over e-mail, which is not set here." in said.stderr
    states = {line["channel"]: line["state"] for line in json.loads(said.stdout)["notices"]}
    assert states == {"e-mail": "waiting", "webhook": "sent"}
    assert settle_unset(sessions, [NoticeChannel.WEBHOOK]) == 1
    said = trialog("notices", "--retry")
    assert (said.exit_code, said.stderr) == (0, "")
    assert said.stdout.startswith("Notices go over webhook. 0 notices not through.\n")
    assert "settled   test, not composed yet" in said.stdout


@pytest.mark.database("sqlite")  # refused before the records are read
def test_retry_without_a_channel_is_refused(trialog):
    said = trialog("notices", "--retry")
    assert said.exit_code == 2
    assert "TRIALOG_SMTP_HOST or TRIALOG_WEBHOOK_URL must be set" in said.stderr


@pytest.mark.database("sqlite")  # refused before the records are read
@pytest.mark.parametrize("command", ["notices", "serve"])
def test_a_setting_that_breaks_its_rule_is_named(trialog, monkeypatch, command):
    monkeypatch.setenv("TRIALOG_WEBHOOK_URL", "https://shop.invalid/")
    said = trialog(command)
    assert said.exit_code == 2
    assert "TRIALOG_WEBHOOK_SECRET must have at least 16 characters" in said.stderr


@pytest.mark.database("sqlite")  # the steps are the same on both; tests of sending run on both
def test_a_server_killed_while_it_sends_has_the_notice_sent_once_more_the_same(
    trialog, told, webhook, serve
):
    answer = threading.Event()
    webhook.answer = lambda _request: answer.wait() and 204
    server = serve()
    assert webhook.came.acquire(timeout=60)
    server.kill()  # it has sent, and noted nothing yet
    server.wait()
    answer.set()
    said = trialog("notices", "--retry", "--json")
    assert json.loads(said.stdout)["notices"][0]["state"] == "sent"
    first, second = webhook.received
    assert first.headers["X-Trialog-Id"] == second.headers["X-Trialog-Id"]
    assert first.body == second.body


def test_the_demo_tells_nobody(run, monkeypatch, tmp_path, webhook):
    given = {}
    monkeypatch.setattr(demo, "_load", lambda _url: None)  # what is told does not depend on it
    monkeypatch.setattr(demo, "run_app", lambda config, **_words: given.update(config))
    assert run("demo", "--folder", tmp_path / "demo", "--port", 0).exit_code == 0
    assert load_settings(given | {"DATA_FOLDER": tmp_path}).notices.channels == ()
    assert load_settings({"DATA_FOLDER": tmp_path}).notices.channels == (NoticeChannel.WEBHOOK,)
