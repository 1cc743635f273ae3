"""Tablets: let them log, see how they are, shut them out; see to lines the logbook did not take."""

from flask import Blueprint

bp = Blueprint("tablets", __name__, template_folder="templates")

from trialog.web.tablets import parked, views  # noqa: E402, F401 - the views hang themselves on bp
