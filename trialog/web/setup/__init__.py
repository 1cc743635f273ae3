"""Set up cells, devices, failure modes, requirements and trials."""

from flask import Blueprint

bp = Blueprint("setup", __name__, template_folder="templates")

from trialog.web.setup import (  # noqa: E402 - the views hang themselves on bp
    amending,  # noqa: F401 - same
    readiness_views,  # noqa: F401 - same
    views,  # noqa: F401 - same
)
