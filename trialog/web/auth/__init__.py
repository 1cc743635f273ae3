"""Sign in and out."""

from flask import Blueprint

bp = Blueprint("auth", __name__, template_folder="templates")

from trialog.web.auth import views  # noqa: E402, F401 - the views hang themselves on bp
