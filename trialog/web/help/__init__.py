"""The help pages, as they lie in trialog/docs."""

from flask import Blueprint

bp = Blueprint("help", __name__, template_folder="templates")

from trialog.web.help import views  # noqa: E402, F401 - the views hang themselves on bp
