"""The one answer for who collects metrics."""

from __future__ import annotations

from flask import Response
from prometheus_client import CONTENT_TYPE_PLAIN_0_0_4

from trialog.records.words import Scope
from trialog.web.api.access import scoped
from trialog.web.metrics import bp
from trialog.web.metrics.gathering import metrics_text
from trialog.web.problems import METRICS


@bp.get(METRICS)
@scoped(Scope.METRICS)
def show() -> Response:
    """Answer with the metrics of this server, for a client whose token has the scope."""
    return Response(metrics_text(), content_type=CONTENT_TYPE_PLAIN_0_0_4)
