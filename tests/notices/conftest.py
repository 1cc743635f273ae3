"""A cell with a trial, servers that take notices, and a clock that is moved by hand."""

from __future__ import annotations

import socket
import ssl
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session
from support.cells import CellUnderTest, log_shift, write
from support.https import HERE, make_keeper
from support.mailbox import Mailbox, mail_server
from support.people import People
from support.receiver import http_receiver

from trialog.errors import PrintingError
from trialog.evidence import define_requirement, start_trial
from trialog.notices import Post, attaching, read_notice_settings
from trialog.records.database import make_sessions
from trialog.records.models import Notice
from trialog.records.outbox import CHANNELS
from trialog.records.setup import NewRequirement
from trialog.records.words import PlanKind, Stage
from trialog.reports.document import File

SECRET = "only for these tests"
SENDER, BOSS, LEAD = "trialog@shop.invalid", "boss@shop.invalid", "lead@shop.invalid"


class Clock:
    """A clock that stands until it is moved."""

    def __init__(self, now):
        self.now = now

    def __call__(self):
        return self.now

    def move(self, **by):
        self.now += timedelta(**by)


@pytest.fixture
def clock(now):
    return Clock(now)


@pytest.fixture
def receiver():
    """Return a receiver of webhooks that takes everything."""
    with http_receiver() as receiver:
        yield receiver


@pytest.fixture
def mailbox():
    """Return a mailbox behind a server without TLS, its `port` with it."""
    box = Mailbox()
    with mail_server(box) as box.port:
        yield box


@pytest.fixture
def server_tls(tmp_path, monkeypatch):
    """Return the maker of a server's TLS context, whose authority this process trusts."""

    def make(names=HERE):
        keeper = make_keeper(tmp_path / "tls", datetime.now(UTC), names)
        authority = tmp_path / "authority.pem"
        authority.write_text(ssl.DER_cert_to_PEM_cert(keeper.authority.for_tablets))
        monkeypatch.setenv("SSL_CERT_FILE", str(authority))
        return keeper.context

    return make


def by_mail(port, **more):
    """Return the settings of e-mail through a server of this machine."""
    return {
        "SMTP_HOST": "localhost", "SMTP_PORT": port, "SMTP_SECURITY": "none", "SMTP_FROM": SENDER,
        "NOTICE_TO": f"{BOSS}, {LEAD}", **more,
    }  # fmt: skip


def by_webhook(receiver, **more):
    """Return the settings of a webhook to a receiver."""
    return {"WEBHOOK_URL": receiver.url, "WEBHOOK_SECRET": SECRET, **more}


@pytest.fixture
def mute():
    """Return the port of a server that takes calls and says nothing."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        yield listener.getsockname()[1]


@dataclass(frozen=True)
class Shop:
    """A cell of the records with its people, and short ways to make something to tell."""

    session: Session
    cell: CellUnderTest
    people: People
    now: datetime

    def tell_over(self, *channels):
        """Let the session tell over these channels from now on."""
        self.session.info[CHANNELS] = channels

    def write(self, *entries, actor=None):
        write(self.session, self.cell, *entries, actor=actor or self.people.operator, now=self.now)

    def close_shift(self, label="Monday early", **options):
        """Log and close a shift of 40 good cycles and a dropped part."""
        usual = {"now": self.now, "good": 40, "failed": [self.cell.dropped]}
        log_shift(self.session, self.cell, label, actor=self.people.operator, **usual | options)

    def start_trial(self):
        """Start a trial of the arm, which begins with the first shift."""
        by = {"actor": self.people.engineer, "now": self.now}
        requirement = define_requirement(
            self.session, self.cell.cell,
            NewRequirement(name="lunch", stretch_hours=1, chance=0.8, confidence=0.9,
                           design_rate=0.0001), **by,
        )  # fmt: skip
        trial = start_trial(
            self.session, requirement, name="Arm, by hand", stage=Stage.BY_HAND,
            plan_kind=PlanKind.ZERO_FAILURE, device=self.cell.arm, **by,
        )  # fmt: skip
        self.session.commit()
        return trial

    def kept(self):
        """Read the notices afresh, oldest first."""
        self.session.rollback()
        self.session.expire_all()
        return self.session.scalars(select(Notice).order_by(Notice.id)).all()


@pytest.fixture
def forms(monkeypatch):
    """Return what makes the forms that are attached; a form that is missing cannot be made."""
    made = {"pdf": b"%PDF-1.7 as printed", "html": b"<!doctype html>"}

    def quick(document, form):
        if form not in made:
            raise PrintingError("no browser is there that could print")
        media = {"pdf": "application/pdf", "html": "text/html"}[form]
        return File(f"{document.stem}.{form}", media, made[form])

    monkeypatch.setattr(attaching, "render", quick)
    return made


@pytest.fixture
def shop(session, cell, people, now):
    return Shop(session, cell, people, now)


@pytest.fixture
def post(shop, engine, clock):
    """Return the maker of what sends notices over some channels, which the shop tells over."""

    def make(given, **options):
        settings = read_notice_settings(given)
        shop.tell_over(*settings.channels)
        sessions = make_sessions(engine)
        return Post(sessions=sessions, settings=settings, zone=UTC, clock=clock, **options)

    return make
