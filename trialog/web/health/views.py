"""Answers for who watches the server: public, and empty of anything worth knowing."""

from __future__ import annotations

from flask import Response, current_app, jsonify
from sqlalchemy import text

from trialog.web.database import get_session
from trialog.web.ending import is_ending
from trialog.web.health import bp
from trialog.web.health.checks import health_of
from trialog.web.security import public


@bp.get("/health")
@public
def index() -> Response:
    """Say that the server and its database answer."""
    get_session().execute(text("SELECT 1"))
    return jsonify(status="ok")


@bp.get("/health/live")
@public
def live() -> Response:
    """Say that the process answers, whatever the database does."""
    return jsonify(status="alive")


@bp.get("/health/ready")
@public
def ready() -> tuple[Response, int]:
    """Say whether the server can take entries, and which check does not hold if it cannot."""
    checks = health_of(current_app).checks()
    ok = all(check.ok for check in checks) and not is_ending()
    status = "stopping" if is_ending() else "ready" if ok else "not ready"
    found = {check.name: {"ok": check.ok, "says": check.says} for check in checks}
    return jsonify(status=status, checks=found), 200 if ok else 503
