"""Trials: the page, rulings, files in and out, acknowledging and signing."""

from flask import Blueprint

bp = Blueprint("trials", __name__, template_folder="templates")

# The views hang themselves on bp, so they come after it.
from trialog.web.trials import (  # noqa: E402
    evidence,  # noqa: F401
    importing,  # noqa: F401
    lines,  # noqa: F401
    next,  # noqa: F401
    rulings,  # noqa: F401
    several,  # noqa: F401
    signing,  # noqa: F401
    supposing,  # noqa: F401
    views,  # noqa: F401
)
