"""Whether cells can be left alone: a page for each, and an overview of all."""

from flask import Blueprint

bp = Blueprint("readiness", __name__, template_folder="templates")

from trialog.web.readiness import views  # noqa: E402, F401 - the views hang themselves on bp
