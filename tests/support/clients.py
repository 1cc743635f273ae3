"""Programs that talk to the API by a token of their own."""

from __future__ import annotations

from datetime import UTC, datetime

from trialog.records.clients import add_client, issue_token
from trialog.records.database import unit_of_work
from trialog.records.models import Client, ClientToken, Person
from trialog.records.words import Scope


class Program:
    """A client that an admin let in, with a token that opens `scopes`."""

    def __init__(self, app, session, responsible, *scopes, cell=None, name="relay box"):
        self.http = app.test_client(use_cookies=False)
        self.session, self.now = session, datetime.now(UTC)
        with unit_of_work(session):
            person = session.get_one(Person, responsible.id)
            client = add_client(session, name, person, cell=cell, actor=None, now=self.now)
            self.id = client.id
        self.token = self.issue(*(scopes or Scope))

    def issue(self, *scopes, **options):
        """Issue one more token."""
        with unit_of_work(self.session):
            client = self.session.get_one(Client, self.id)
            _, text = issue_token(
                self.session, client, scopes, **{"actor": None, "now": self.now} | options
            )
        return text

    @property
    def row(self):
        """Return the newest token as the records have it now."""
        self.session.rollback()
        self.session.expire_all()
        return self.session.query(ClientToken).order_by(ClientToken.id.desc()).first()

    def open(self, method, path, *, token=None, **options):
        """Send a request with the client's token, or with another one."""
        headers = {"Authorization": f"Bearer {token or self.token}"} | options.pop("headers", {})
        return self.http.open(f"/api/v1{path}", method=method, headers=headers, **options)

    def get(self, path, **options):
        return self.open("GET", path, **options)

    def post(self, path, json=None, **options):
        return self.open("POST", path, json=json, **options)


def assert_problem(answer, status, title, detail=None):
    """Check that an answer is a problem document of a kind, and return it."""
    assert answer.status_code == status, answer.text
    assert answer.content_type == "application/problem+json"
    told = answer.json
    assert set(told) - {"errors"} == {"type", "title", "status", "detail"}
    assert (told["status"], told["title"]) == (status, title)
    assert told["type"] == f"/help/api#{title.lower().replace(' ', '-')}"
    assert detail is None or detail in told["detail"], told["detail"]
    return told
