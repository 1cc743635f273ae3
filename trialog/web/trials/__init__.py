"""Trials: the page, files in and out, signing."""

from flask import Blueprint

bp = Blueprint("trials", __name__, template_folder="templates")

from trialog.web.trials import views  # noqa: E402, F401 - the views hang themselves on bp
