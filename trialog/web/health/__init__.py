"""Whether the server lives, and whether it can take entries; for who watches it, not for people."""

from flask import Blueprint

bp = Blueprint("health", __name__)

from trialog.web.health import checks, views  # noqa: E402, F401 - the views hang themselves on bp

bp.record_once(lambda setup: checks.init_app(setup.app))
