"""The page of trust and the authority's certificate; both hold no secret."""

from __future__ import annotations

from urllib.parse import urlsplit

from flask import Response, abort, render_template, request

from trialog.web.security import public
from trialog.web.tls.authority import FOR_TABLETS
from trialog.web.tls.doors import CERTIFICATE, TRUST_PAGE
from trialog.web.tls.trust import Trust, find_trust
from trialog.web.trust import bp

CERTIFICATE_TYPE = "application/x-x509-ca-cert"
"""What Android, iPadOS and Windows take for a certificate to install; common practice."""


@bp.get(TRUST_PAGE)
@public
def show() -> str:
    """Say what to do on a tablet; over plain HTTP too, where nothing else is served."""
    trust = _trust_or_404()
    host = urlsplit(f"//{request.host}").hostname or ""
    return render_template("trust/show.html", trust=trust, app_address=trust.address_for(host))


@bp.get(CERTIFICATE)
@public
def certificate() -> Response:
    """Hand out the certificate of the authority."""
    content = _trust_or_404().keeper.authority.for_tablets
    response = Response(content, mimetype=CERTIFICATE_TYPE)
    response.headers["Content-Disposition"] = f"attachment; filename={FOR_TABLETS}"
    return response


def _trust_or_404() -> Trust:
    trust = find_trust()
    if trust is None:
        abort(404)  # no HTTPS by this server: there is nothing to trust
    return trust
