"""Clients: the programs that talk to trialog, and their tokens; for admins."""

from flask import Blueprint

bp = Blueprint("clients", __name__, template_folder="templates")

from trialog.web.clients import views  # noqa: E402, F401 - the views hang themselves on bp
