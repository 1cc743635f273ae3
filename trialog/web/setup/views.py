"""Cells, their devices and failure modes."""

from __future__ import annotations

from typing import Any

from flask import flash, redirect, render_template, request, url_for
from sqlalchemy.orm import Session
from werkzeug.wrappers import Response

from trialog.records import setup
from trialog.records.models import Cell, Device, FailureMode
from trialog.records.people import Action
from trialog.records.words import Effect
from trialog.web.clock import now
from trialog.web.database import get_or_404, get_session
from trialog.web.identity import current_person
from trialog.web.noting import note_change
from trialog.web.saving import form_page, save
from trialog.web.security import allowed
from trialog.web.setup import bp
from trialog.web.setup.forms import CellForm, DeviceForm, ModeForm, NewCellForm, NewDeviceForm
from trialog.web.setup.overview import build_overview

CELL_FIELDS = {
    "cell name": "name",
    "machine": "machine",
    "part": "part",
    "operation": "operation",
    "planned cycle time": "cycle_seconds",
    "counter restarts after": "counter_modulus",
}


def _by() -> dict[str, Any]:
    """Return who acts and when, as every service asks for it."""
    return {"actor": current_person(), "now": now()}


def _to_cell(cell_id: int, words: str) -> Response:
    flash(words, "good")
    return redirect(url_for("setup.cell", cell_id=cell_id))


@bp.get("/cells/<int:cell_id>")
@allowed(Action.READ)
def cell(cell_id: int) -> str:
    """Show a cell: what it consists of, what has been run, and what to do next."""
    cell = get_or_404(Cell, cell_id)
    overview = build_overview(get_session(), cell, all_shifts=request.args.get("shifts") == "all")
    return render_template("setup/cell.html", cell=cell, overview=overview)


@bp.route("/cells/new", methods=["GET", "POST"])
@allowed(Action.SET_UP)
def new_cell() -> Response:
    """Add a cell, with the devices against the usual failure modes."""
    form = NewCellForm()
    fields = CELL_FIELDS | {"device": "device_0", "failure mode": "device_0"}
    if form.validate_on_submit():
        added = save(form, fields, lambda session: _add_cell(session, form))
        if added is not None:
            return _to_cell(added, "The cell is set up.")
    return form_page("setup/new_cell.html", form)


def _add_cell(session: Session, form: NewCellForm) -> int:
    by = _by()
    added = setup.add_cell(session, **form.particulars(), **by)
    for name, modes in form.devices().items():
        _add_device(session, added, name, modes, by)
    return added.id


def _add_device(
    session: Session, to: Cell, name: str, modes: list[tuple[str, Effect]], by: dict[str, Any]
) -> int:
    device = setup.add_device(session, to, name, **by)
    for mode, effect in modes:
        setup.add_mode(session, device, mode, effect, **by)
    return device.cell_id


@bp.route("/cells/<int:cell_id>/edit", methods=["GET", "POST"])
@allowed(Action.SET_UP)
def edit_cell(cell_id: int) -> Response:
    """Mend a cell's particulars."""
    cell = get_or_404(Cell, cell_id)
    form = CellForm(obj=cell, cycle_seconds=cell.planned_cycle_seconds)
    if form.validate_on_submit():
        particulars, by = form.particulars(), _by()

        def change(session: Session) -> bool:
            setup.change_cell(session, cell, **particulars, **by)
            return True

        if save(form, CELL_FIELDS, change):
            note_change(cell, actor=current_person())
            return _to_cell(cell_id, "Saved.")
    return form_page("setup/edit_cell.html", form, cell=cell)


@bp.route("/cells/<int:cell_id>/devices/new", methods=["GET", "POST"])
@allowed(Action.SET_UP)
def new_device(cell_id: int) -> Response:
    """Add a device with its failure modes."""
    cell = get_or_404(Cell, cell_id)
    form = NewDeviceForm()
    if form.validate_on_submit():
        name, modes, by = form.name.data, form.modes(), _by()

        def add(session: Session) -> int:
            return _add_device(session, cell, name, modes, by)

        if save(form, {"device": "name", "failure mode": "mode_1"}, add) is not None:
            return _to_cell(cell_id, f"Device {name.strip()} added.")
    running = setup.has_cycles(get_session(), cell)
    return form_page("setup/new_device.html", form, cell=cell, running=running)


@bp.route("/devices/<int:device_id>/edit", methods=["GET", "POST"])
@allowed(Action.SET_UP)
def edit_device(device_id: int) -> Response:
    """Rename a device."""
    device = get_or_404(Device, device_id)
    form = DeviceForm(obj=device)
    if form.validate_on_submit():
        name, by = form.name.data, _by()

        def change(session: Session) -> bool:
            setup.change_device(session, device, name, **by)
            return True

        if save(form, {"device": "name"}, change):
            return _to_cell(device.cell_id, "Saved.")
    return form_page("setup/edit_device.html", form, cell=device.cell, device=device)


@bp.route("/devices/<int:device_id>/modes/new", methods=["GET", "POST"])
@allowed(Action.SET_UP)
def new_mode(device_id: int) -> Response:
    """Add a failure mode to a device."""
    device = get_or_404(Device, device_id)
    form = ModeForm()
    if form.validate_on_submit():
        name, effect, by = form.name.data, Effect(form.effect.data), _by()

        def add(session: Session) -> int:
            return setup.add_mode(session, device, name, effect, **by).id

        if save(form, {"failure mode": "name"}, add) is not None:
            return _to_cell(device.cell_id, f"Failure mode {name.strip()} added.")
    return form_page("setup/mode.html", form, cell=device.cell, device=device, mode=None)


@bp.route("/modes/<int:mode_id>/edit", methods=["GET", "POST"])
@allowed(Action.SET_UP)
def edit_mode(mode_id: int) -> Response:
    """Rename a failure mode, or change its effect before the first cycle."""
    mode = get_or_404(FailureMode, mode_id)
    form = ModeForm(name=mode.name, effect=mode.effect.value)
    fields = {"failure mode": "name", f"effect of {mode.name!r}": "effect"}
    if form.validate_on_submit():
        name, effect, by = form.name.data, Effect(form.effect.data), _by()

        def change(session: Session) -> bool:
            setup.change_mode(session, mode, name, effect, **by)
            return True

        if save(form, fields, change):
            return _to_cell(mode.cell_id, "Saved.")
    device = mode.device
    return form_page("setup/mode.html", form, cell=device.cell, device=device, mode=mode)
