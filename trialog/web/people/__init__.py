"""People, their roles and PINs; for admins."""

from flask import Blueprint

bp = Blueprint("people", __name__, template_folder="templates")

from trialog.web.people import views  # noqa: E402, F401 - the views hang themselves on bp
