"""Feeds: the machines that are listened to, and how each is heard; for engineers."""

from flask import Blueprint

bp = Blueprint("feeds", __name__, template_folder="templates")

from trialog.web.feeds import views  # noqa: E402, F401 - the views hang themselves on bp
