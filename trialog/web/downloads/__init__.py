"""Reports as files: every kind in every form, at one address each."""

from flask import Blueprint

bp = Blueprint("downloads", __name__)

# The views hang themselves on bp, so they come after it.
from trialog.web.downloads import views  # noqa: E402, F401
