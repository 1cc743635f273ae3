"""The planner: what a requirement costs, plan by plan, before anybody commits to one."""

from flask import Blueprint

bp = Blueprint("planner", __name__, template_folder="templates")

from trialog.web.planner import views  # noqa: E402, F401 - the views hang themselves on bp
