"""The page of trust: how a tablet comes to trust this server's certificate."""

from flask import Blueprint

bp = Blueprint("trust", __name__, template_folder="templates")

from trialog.web.trust import views  # noqa: E402, F401 - the views hang themselves on bp
