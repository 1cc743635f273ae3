"""Open a shift at the machine and log its cycles."""

from flask import Blueprint

bp = Blueprint("logging", __name__, template_folder="templates")

from trialog.web.logging import views  # noqa: E402, F401 - the views hang themselves on bp
