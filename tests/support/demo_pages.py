"""The pages of the demo, read by its engineer: without a screen, and in a browser."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session
from support.browsing import PATIENCE, WEB_CONFIG, serving
from support.compiled import COMPILED_TEMPLATES
from support.signed_in import begin_session

from trialog.feeds.demo import ENGINEER
from trialog.records.database import embedded_url
from trialog.records.models import Cell, Person, Shift, Trial


class DemoPages:
    """The demo's application with its engineer signed in, and the addresses of its pages."""

    def __init__(self, app, engine):
        self.app, self.client = app, app.test_client()
        with Session(engine) as session:
            engineer = session.scalars(select(Person).where(Person.name == ENGINEER)).one()
            cell = session.scalars(select(Cell)).one()
            trials = session.scalars(select(Trial.id).order_by(Trial.id)).all()
            shift = session.scalars(select(Shift.id).order_by(Shift.id.desc())).first()
            begin_session(self.client, engineer, datetime.now(UTC))
        self.trials = [f"/trials/{trial}" for trial in trials]
        self.shift, self.cell = f"/shifts/{shift}", f"/cells/{cell.id}"
        self.readiness, self.home, self.fleet = f"{self.cell}/readiness", "/", "/fleet"

    def cookie(self, url):
        """Return the sign-in as a browser's context takes it."""
        name = self.app.config["SESSION_COOKIE_NAME"]
        return {"name": name, "value": self.client.get_cookie(name).value, "url": url}


@pytest.fixture(scope="session")
def demo_pages(demo_folder, demo_engine, tmp_path_factory):
    """Return the demo's pages; reading one changes nothing."""
    from trialog.web import create_app  # noqa: PLC0415 - tests without the web do not need it
    from trialog.web.database import state  # noqa: PLC0415

    places = {
        "DATABASE_URL": embedded_url(demo_folder),
        "DATA_FOLDER": tmp_path_factory.mktemp("d"),
    }
    app = create_app({**WEB_CONFIG, **places})
    app.jinja_env.bytecode_cache = COMPILED_TEMPLATES
    yield DemoPages(app, demo_engine)
    state(app).engine.dispose()


@pytest.fixture
def demo_browser(demo_pages, browser):
    """Return a fresh browser page that is signed in to the demo, and the demo's address."""
    with serving(demo_pages.app) as url:
        context = browser.new_context()
        context.set_default_timeout(PATIENCE)
        context.add_cookies([demo_pages.cookie(url)])
        yield context.new_page(), url
        context.close()
