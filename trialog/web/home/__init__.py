"""The first page: every cell and how its trials stand."""

from flask import Blueprint

bp = Blueprint("home", __name__, template_folder="templates")

from trialog.web.home import views  # noqa: E402, F401 - the views hang themselves on bp
