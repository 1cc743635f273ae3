"""Notices to people outside, for admins: what is set, what got through, a test."""

from flask import Blueprint

bp = Blueprint("notices", __name__, template_folder="templates")

from trialog.web.notices import views  # noqa: E402, F401 - the views hang themselves on bp
