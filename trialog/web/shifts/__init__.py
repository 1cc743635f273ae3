"""Shift reports, and what engineers add to a shift afterwards: rulings, readings, revisions."""

from flask import Blueprint

bp = Blueprint("shifts", __name__, template_folder="templates")

from trialog.web.shifts import files, revisions, views  # noqa: E402, F401 - the views hang themselves on bp
