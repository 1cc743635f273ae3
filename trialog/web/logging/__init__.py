"""Log cycles at the machine: the tablet page and its JSON side."""

from flask import Blueprint

bp = Blueprint("logging", __name__, template_folder="templates")

from trialog.web.logging import (  # noqa: E402, F401 - the views hang themselves on bp
    api,
    photos,
    shell,
    tablet_api,
    views,
)
