"""Metrics of a running server, in the Prometheus text format."""

from flask import Blueprint

bp = Blueprint("metrics", __name__)

from trialog.web.metrics import gathering, views  # noqa: E402, F401 - the views hang themselves on bp

bp.record_once(lambda setup: gathering.init_app(setup.app))
