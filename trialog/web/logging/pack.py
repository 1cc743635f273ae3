"""What a tablet takes along so that it can log without a network: people, cell, open shift."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta, tzinfo
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog.records.machine_now import count_now
from trialog.records.models import Cell, Device, ParkedLine, Person, Shift, Tablet
from trialog.records.parking import count_by_outcome
from trialog.records.people import Action, may
from trialog.records.queries import cells, last_shift, open_shift
from trialog.records.words import Stage
from trialog.web import identity
from trialog.web.logging.opening import next_label
from trialog.web.logging.running import as_json, running_state
from trialog.web.people.reading import active_people

LABELS_FOR = timedelta(days=4)
"""How far back a tablet knows the shifts' names, so that it gives none twice: a long weekend."""


def build_pack(
    session: Session,
    tablet: Tablet,
    cell: Cell | None,
    *,
    version: str,
    zone: tzinfo,
    now: datetime,
) -> dict[str, Any]:
    """Gather what a tablet keeps; `version` is that of the page this server serves."""
    return {
        "version": version,
        "tablet": {**about_tablet(tablet), "clock_ahead_seconds": tablet.clock_ahead_seconds},
        "zone": str(zone),
        "cells": [{"id": one.id, "name": one.name} for one in cells(session)],
        "people": [
            about_person(person)
            for person in active_people(session)
            if may(person, Action.LOG)
        ],
        "cell": None if cell is None else _about_cell(session, tablet, cell, zone, now),
    }  # fmt: skip


def about_tablet(tablet: Tablet) -> dict[str, Any]:
    """Return who a tablet is."""
    return {"id": tablet.id, "name": tablet.name}


def about_person(person: Person) -> dict[str, Any]:
    """Return who somebody is, with the mark that changes with the role or the PIN."""
    return {
        "id": person.id,
        "name": person.name,
        "role": str(person.role),
        "stamp": identity.stamp(person),
    }


def _about_cell(
    session: Session, tablet: Tablet, cell: Cell, zone: tzinfo, now: datetime
) -> dict[str, Any]:
    running, previous = open_shift(session, cell), last_shift(session, cell)
    return {
        "id": cell.id,
        "name": cell.name,
        "machine": cell.machine,
        "part": cell.part,
        "modulus": cell.counter_modulus,
        "cycle_seconds": cell.planned_cycle_seconds,
        "devices": [_about_device(device) for device in cell.devices],
        "stage": str(Stage.BY_HAND if previous is None else previous.stage),
        "labels": list(_labels(session, cell, now)),
        "next_label": next_label(session, cell, now=now, zone=zone),
        "last_counter": None if previous is None else previous.closing_counter,
        "machine_count": _machine_count(session, cell, now),
        "state": None if running is None else as_json(running_state(session, running)),
        "parked": count_by_outcome(
            session, ParkedLine.tablet_id == tablet.id, ParkedLine.cell_id == cell.id
        )[None],
    }


def _machine_count(session: Session, cell: Cell, now: datetime) -> dict[str, Any] | None:
    said = count_now(session, cell, now=now)
    if said is None:
        return None
    return {
        "counter": said.counter,
        "at": said.at.isoformat(),
        "until": said.until.isoformat(),
    }


def _about_device(device: Device) -> dict[str, Any]:
    modes = [
        {"id": mode.id, "name": mode.name, "effect": str(mode.effect)} for mode in device.modes
    ]
    return {"id": device.id, "name": device.name, "modes": modes}


def _labels(session: Session, cell: Cell, now: datetime) -> Sequence[str]:
    recent = select(Shift.label).where(Shift.cell_id == cell.id)
    recent = recent.where(Shift.opened_at > now - LABELS_FOR)
    return session.scalars(recent.order_by(Shift.opened_at.desc(), Shift.id.desc())).all()
