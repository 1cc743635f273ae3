"""The REST API for programs: reads and batches under /api/v1, by token, never by cookie."""

from flask import Blueprint

from trialog.web.problems import ROOT

bp = Blueprint("api", __name__, url_prefix=ROOT, template_folder="templates")

from trialog.web.api import (  # noqa: E402, F401 - the views hang themselves on bp
    batches,
    cells,
    clients,
    counting,
    files,
    logbook,
    reference,
    reports,
    trials,
)
