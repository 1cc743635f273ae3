"""Who did what when: the list, narrowed down, and its export."""

from flask import Blueprint

bp = Blueprint("audit", __name__, template_folder="templates")

from trialog.web.audit import views  # noqa: E402, F401 - the views hang themselves on bp
