"""The tablets: who there is, a code for a new one, the engineer's own browser, the end of one."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import segno
from flask import flash, redirect, render_template, request, url_for
from markupsafe import Markup
from sqlalchemy.orm import Session
from werkzeug.wrappers import Response

from trialog.records.database import unit_of_work
from trialog.records.models import Cell, Tablet
from trialog.records.people import Action
from trialog.records.queries import cells
from trialog.records.tablets import CODE_LENGTH, CODE_LIFE, free_name, make_code, revoke
from trialog.web.clock import now
from trialog.web.database import get_or_404, get_session
from trialog.web.identity import current_person
from trialog.web.origin import is_local
from trialog.web.saving import form_page, save
from trialog.web.security import allowed
from trialog.web.tablets import bp
from trialog.web.tablets.forms import TabletForm
from trialog.web.tablets.standing import standings


@dataclass(frozen=True)
class Code:
    """A code as its page shows it. The address holds it behind #: no server's log sees that."""

    tablet: str
    text: str
    until: datetime

    @property
    def parted(self) -> str:
        """Return the code in two halves, easier to read aloud and to type."""
        half = CODE_LENGTH // 2
        return f"{self.text[:half]}-{self.text[half:]}"

    @property
    def address(self) -> str:
        """Return where the code is given to the tablet page."""
        return f"{url_for('logging.tablet', _external=True)}#enrol={self.text}"

    @property
    def square(self) -> Markup:
        """Return the address as a QR code, dark on light in every colour scheme."""
        drawn = segno.make(self.address, micro=False, error="m").svg_inline(
            border=4, dark="#000", light="#fff", omitsize=True, svgclass="qr", lineclass=None
        )
        return Markup(drawn)  # noqa: S704 - drawn here from an address of ours


@bp.get("/tablets")
@allowed(Action.ENROL)
def index() -> str:
    """List the tablets."""
    found = standings(get_session())
    in_use = [one for one in found if one.tablet.revoked_at is None]
    revoked = [one for one in found if one.tablet.revoked_at is not None]
    return render_template("tablets/index.html", in_use=in_use, revoked=revoked)


@bp.route("/tablets/new", methods=["GET", "POST"])
@allowed(Action.ENROL)
def new() -> Response | str:
    """Name a tablet, then show the code that lets it in."""
    form, known, moment = TabletForm(), cells(get_session()), now()
    form.offer(known)
    if request.method == "GET":
        form.cell.data = request.args.get("cell", form.cell.default)
    elif form.validate_on_submit():
        name, cell = form.name.data.strip(), form.chosen(known)

        def make(session: Session) -> str:
            return make_code(session, name=name, cell=cell, actor=current_person(), now=moment)

        text = save(form, {"name": "name"}, make)
        if text is not None:
            code = Code(name, text, moment + CODE_LIFE)
            page = url_for("logging.tablet", _external=True)
            host = request.host
            return render_template(
                "tablets/code.html", code=code, cell=cell, page=page, unreachable=is_local(host)
            )
    return form_page("tablets/new.html", form)


@bp.post("/tablets/here")
@allowed(Action.ENROL)
def here() -> Response:
    """Make the engineer's own browser a tablet, and go to its page."""
    session, actor = get_session(), current_person()
    number = request.form.get("cell", type=int)
    cell = None if number is None else get_or_404(Cell, number)
    with unit_of_work(session):
        name = free_name(session, f"{actor.name[:100]}, browser")
        text = make_code(session, name=name, cell=cell, actor=actor, now=now())
    return redirect(f"{url_for('logging.tablet')}#enrol={text}")


@bp.post("/tablets/<int:tablet_id>/revoke")
@allowed(Action.ENROL)
def end(tablet_id: int) -> Response:
    """Shut a tablet out."""
    session, tablet = get_session(), get_or_404(Tablet, tablet_id)
    with unit_of_work(session):
        revoke(session, tablet, actor=current_person(), now=now())
    flash(f"{tablet.name} is revoked. What it has not sent stays on it until it is enrolled again.",
          "good")  # fmt: skip
    return redirect(url_for("tablets.index"))
