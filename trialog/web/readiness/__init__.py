"""Whether cells can be left alone: one of them, and all of them."""

from flask import Blueprint

bp = Blueprint("readiness", __name__, template_folder="templates")

from trialog.web.readiness import views  # noqa: E402, F401 - the views hang themselves on bp
