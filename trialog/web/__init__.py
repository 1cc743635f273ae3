"""The web application: `create_app` makes it."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from flask import Flask
from jinja2 import ChoiceLoader, FileSystemLoader

import trialog.reports
from trialog.languages import current, in_markup
from trialog.reports import words
from trialog.web import (
    assets,
    clock,
    database,
    ending,
    errors,
    identity,
    language,
    links,
    observing,
    origin,
    remembering,
    security,
)
from trialog.web.settings import SETTINGS, load_settings

TEMPLATES = (
    Path(__file__).parent / "templates",
    Path(trialog.reports.__file__).parent / "templates",
)


def create_app(config: Mapping[str, Any] | None = None) -> Flask:
    """Make the application.

    `config` holds settings (DATABASE_URL, SECRET_KEY, TIME_ZONE …, see `settings`), which win
    over the environment, and anything that Flask and its extensions know (TESTING …).

    Raises
    ------
    InvalidValueError
        If a setting breaks its rule.
    SchemaBehindError
        If the database's schema is not this version's.
    """
    config = config or {}
    settings = load_settings(config)
    app = Flask(__name__)
    app.config.update({name: config[name] for name in config if name not in SETTINGS})
    app.config.update(SECRET_KEY=settings.secret_key, SESSION_COOKIE_SECURE=settings.secure_cookies)
    app.jinja_loader = ChoiceLoader([FileSystemLoader(folder) for folder in TEMPLATES])
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    app.jinja_env.globals.update(t=in_markup, language=current, w=words)
    database.init_app(app, settings)
    for part in (
        observing, ending, clock, identity, security, errors, assets, language, links, origin,
        remembering,
    ):  # fmt: skip
        part.init_app(app)
    _register_blueprints(app)
    security.require_marked(app)
    return app


def _register_blueprints(app: Flask) -> None:
    from trialog.web import (  # noqa: PLC0415 - their views need this module first
        api,
        audit,
        auth,
        clients,
        downloads,
        feeds,
        health,
        help,
        home,
        kept,
        logging,
        metrics,
        notices,
        people,
        planner,
        readiness,
        setup,
        shifts,
        tablets,
        trials,
        trust,
    )  # fmt: skip

    rooms = (
        auth, home, setup, people, planner, help, logging, tablets, shifts, trials, trust, notices,
        audit, readiness, downloads, kept, clients, feeds, api, health, metrics,
    )  # fmt: skip
    for room in rooms:
        app.register_blueprint(room.bp)
