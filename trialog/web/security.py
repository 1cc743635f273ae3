"""Who may use which route, forged requests, and the headers that keep a page to itself."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar
from urllib.parse import urlsplit

from flask import Flask, Response, current_app, g, redirect, request, url_for
from flask_limiter import Limiter
from flask_limiter.util import get_remote_address
from flask_login import current_user
from flask_wtf.csrf import CSRFProtect
from werkzeug.exceptions import Forbidden, Unauthorized
from werkzeug.wrappers import Response as AnyResponse

from trialog.records.people import Action, require
from trialog.web.database import state
from trialog.web.errors import wants_json
from trialog.web.identity import current_person, tablet_by_key

LARGEST_REQUEST = 32 * 1024 * 1024
PIN_CHECKS = "30 per minute"
"""For each address, on all routes together; the lock of a single person comes earlier. Common
practice, no source."""

CODE_TRIES = "10 per minute"
"""For each address: nobody types codes faster. Common practice, no source."""

ACCESS = "trialog_access"
GUARD = "trialog_guard"
PUBLIC = "public"
TABLETS = "tablets"

csrf = CSRFProtect()
limiter = Limiter(get_remote_address, storage_uri="memory://", headers_enabled=False)

looks_at_a_pin = limiter.shared_limit(PIN_CHECKS, scope="pin", methods=["POST"])
"""Goes with every route that looks at PINs: one count for them all, or each would add its own."""

_POLICY = {
    "default-src": "'self'",
    "object-src": "'none'",
    "base-uri": "'none'",
    "frame-ancestors": "'none'",
    "form-action": "'self'",
}
# No Strict-Transport-Security: with a certificate of the server's own authority it would lock
# every tablet out the day somebody serves without --tls, or makes a new authority.
_HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}

NO_TABLET = (
    "This tablet is not enrolled, or no longer. What it holds stays on it; an engineer can give it "
    "a new code."
)

FOREIGN = (
    "This was sent by a page of another site, so nothing was taken. Open trialog itself, and do it "
    "there. If this is trialog: whatever stands in front of the server must pass on the Host that "
    "people use, or TRIALOG_PUBLIC_URL must name it."
)
_LOOKS = frozenset({"GET", "HEAD", "OPTIONS"})

View = Callable[..., Any]
V = TypeVar("V", bound=View)


def allowed(action: Action) -> Callable[[V], V]:
    """Mark a view as open to signed-in people whose role allows an action.

    Goes below the route: `@bp.get(…)`, then `@allowed(Action.READ)`. An app does not start
    with a route that carries neither this mark nor `public` nor `tablets_only`.
    """

    def mark(view: V) -> V:
        setattr(view, ACCESS, action)
        return view

    return mark


def public(view: V) -> V:
    """Mark a view as open to everybody, signed in or not."""
    setattr(view, ACCESS, PUBLIC)
    return view


def public_api(view: V) -> V:
    """Mark a view as open to every program: what it asks for in the body counts, no cookie does."""
    csrf.exempt(view)
    return public(view)


def tablets_only(view: V) -> V:
    """Mark a view as open to enrolled tablets, which send their key with every request.

    No cookie counts there, so no other site can make a browser send what it did not mean to.
    """
    setattr(view, ACCESS, TABLETS)
    csrf.exempt(view)
    return view


def guarded(view: V, access: str, guard: Callable[[], None]) -> V:
    """Mark a view as open to whoever its own guard lets in; no cookie counts there.

    `access` says in a word for whom it is. The guard raises where it lets nobody in.
    """
    setattr(view, ACCESS, access)
    setattr(view, GUARD, guard)
    csrf.exempt(view)
    return view


def report_page(view: V) -> V:
    """Mark a view whose page holds charts: their library sets styles on elements."""
    view.trialog_charts = True  # type: ignore[attr-defined]  # a mark on a function
    return view


def access_of(view: View) -> Action | str | None:
    """Return who may use a view: an action, a scope, `PUBLIC`, `TABLETS`, or None: not said."""
    return getattr(view, ACCESS, None)


def init_app(app: Flask) -> None:
    """Protect every route of an app."""
    app.config.update(
        MAX_CONTENT_LENGTH=LARGEST_REQUEST,
        # The token lives as long as the session: a tablet page stays open for a whole shift.
        WTF_CSRF_TIME_LIMIT=None,
    )
    csrf.init_app(app)
    limiter.init_app(app)
    app.before_request(_require_access)
    app.before_request(_refuse_foreign_page)
    app.after_request(_add_headers)
    public(app.view_functions["static"])


def require_marked(app: Flask) -> None:
    """Refuse to start an app with a route that does not say who may use it."""
    unmarked = [name for name, view in app.view_functions.items() if access_of(view) is None]
    if unmarked:
        raise RuntimeError(f"routes without @allowed or @public: {', '.join(sorted(unmarked))}")


def _require_access() -> AnyResponse | None:
    if request.endpoint is None:
        return None  # no such page: the same answer for everybody
    view = current_app.view_functions[request.endpoint]
    access = access_of(view)
    if access == PUBLIC:
        return None
    guard: Callable[[], None] | None = getattr(view, GUARD, None)
    if guard is not None:
        guard()
        return None
    if access == TABLETS:
        if tablet_by_key() is None:
            raise Unauthorized(NO_TABLET)
        return None
    if not current_user.is_authenticated:
        return _ask_to_sign_in()
    require(current_person(), Action(str(access)))
    return None


def _refuse_foreign_page() -> None:
    """Refuse what a page of another site has a browser send, whatever cookie or token it holds.

    Browsers say it themselves where the connection is secure (Fetch Metadata Request Headers, W3C,
    section 2.3); over plain HTTP the origin is compared. A program says neither.
    """
    if request.method in _LOOKS:
        return
    site = request.headers.get("Sec-Fetch-Site")
    if site is not None:
        foreign = site not in {"same-origin", "none"}
    else:
        origin = request.headers.get("Origin")
        foreign = origin is not None and origin.partition("://")[2] not in _own_hosts()
    if foreign:
        raise Forbidden(FOREIGN)


def _own_hosts() -> set[str]:
    public = urlsplit(state().settings.notices.public_url or "").netloc
    return {request.host, public} - {""}


def _ask_to_sign_in() -> AnyResponse:
    if wants_json() or request.method not in ("GET", "HEAD"):
        raise Unauthorized("Please sign in; the session has ended or never began.")
    return redirect(url_for("auth.login", next=request.full_path.rstrip("?")))


def safe_next(target: str | None) -> str:
    """Return where to go after signing in: a path on this server, else the home page."""
    home = url_for("home.index")
    if not target or not target.startswith("/") or target[1:2] in ("/", "\\"):
        return home
    return target if target.isprintable() and "\\" not in target else home


def _add_headers(response: Response) -> Response:
    view = current_app.view_functions.get(request.endpoint or "")
    policy = dict(_POLICY)
    if getattr(view, "trialog_charts", False):
        policy["style-src"] = "'self' 'unsafe-inline'"
        policy["img-src"] = "'self' data: blob:"
    words = "; ".join(f"{name} {value}" for name, value in policy.items())
    response.headers.setdefault("Content-Security-Policy", words)
    for name, value in _HEADERS.items():
        response.headers.setdefault(name, value)
    if request.endpoint != "static" and not g.get("cacheable"):
        response.headers["Cache-Control"] = "no-store"
    return response
