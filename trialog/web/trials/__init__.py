"""Trials: the page, rulings, files in and out, acknowledging and signing."""

from flask import Blueprint

bp = Blueprint("trials", __name__, template_folder="templates")

# The views hang themselves on bp, so they come after it.
from trialog.web.trials import evidence, importing, lines, rulings, signing, views  # noqa: E402, F401
