"""Set up cells, devices, failure modes, requirements and trials."""

from flask import Blueprint

bp = Blueprint("setup", __name__, template_folder="templates")

from trialog.web.setup import views  # noqa: E402, F401 - the views hang themselves on bp
