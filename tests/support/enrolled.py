"""Programs that talk to the server as an enrolled tablet does: by key, without a cookie."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from support.cells import new_id

from trialog.records.database import unit_of_work
from trialog.records.models import Tablet
from trialog.records.tablets import enrol, make_code, revoke


class Enrolled:
    """A tablet that an engineer let in. `person` is signed in at it; its clock runs `ahead`."""

    def __init__(self, app, session, engineer, *, cell=None, name="blue tablet"):
        self.client = app.test_client(use_cookies=False)
        self.session, self.engineer = session, engineer
        now = datetime.now(UTC)
        with unit_of_work(session):
            code = make_code(session, name=name, cell=cell, actor=engineer, now=now)
            tablet, self.key = enrol(session, code, now=now)
            self.id, self.name = tablet.id, tablet.name
        self.cell, self.person = cell, None
        self.ahead = timedelta(0)
        self.number = 0

    @property
    def row(self):
        """Return the tablet as the records have it now."""
        self.session.rollback()
        return self.session.get(Tablet, self.id, populate_existing=True)

    def revoke(self):
        with unit_of_work(self.session):
            tablet = self.session.get_one(Tablet, self.id)
            revoke(self.session, tablet, actor=self.engineer, now=datetime.now(UTC))

    def open(self, method, path, *, key=None, **options):
        """Send a request with the tablet's key, or with another one."""
        headers = {"Authorization": f"Bearer {key or self.key}"} | options.pop("headers", {})
        return self.client.open(path, method=method, headers=headers, **options)

    def pack(self, cell=None):
        query = {} if cell is None else {"cell": cell}
        return self.open("GET", "/api/tablet/pack", query_string=query)

    def sign_in(self, person, pin):
        return self.open("POST", "/api/tablet/sign-in", json={"person": person, "pin": pin})

    def tap(self, kind, /, **fields):
        """Make a line as the page does: numbered, with the tablet's own time."""
        self.number += 1
        own = (datetime.now(UTC) + self.ahead).isoformat()
        line = {
            "client_id": new_id("tap"), "kind": kind, "shift": "early A", "number": self.number,
            "tablet_time": own, "time": datetime.now(UTC).isoformat(),
            "person": None if self.person is None else self.person.id,
        }  # fmt: skip
        return line | fields

    def send(self, *lines, **options):
        """Send lines in the page's form, or whatever `json` or `data` holds instead."""
        if not {"json", "data"} & set(options):
            options["json"] = self.batch(*lines)
        return self.open("POST", "/api/tablet/entries", **options)

    def batch(self, *lines, **fields):
        clock = (datetime.now(UTC) + self.ahead).isoformat()
        return {
            "cell": self.cell.id, "clock": clock, "page": "1a2b", "entries": list(lines),
        } | fields  # fmt: skip
