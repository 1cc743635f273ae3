"""Shift reports, rulings and revisions."""

from flask import Blueprint

bp = Blueprint("shifts", __name__, template_folder="templates")

from trialog.web.shifts import views  # noqa: E402, F401 - the views hang themselves on bp
