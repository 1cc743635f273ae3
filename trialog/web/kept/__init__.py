"""Kept reports: the list of them, a page for each, and its files."""

from flask import Blueprint

bp = Blueprint("kept", __name__, template_folder="templates")

from trialog.web.kept import views  # noqa: E402, F401 - the views hang themselves on bp
