"""The help documents every key of the reports' data, and no other."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from support.cells import revision

import trialog
from trialog.evidence import acknowledge, judge, note_verdicts, revoke, sign, verdict_as_dict
from trialog.records.words import AcknowledgementKind, PlanKind, Stage
from trialog.reports.cell_report import build_cell_report, cell_report_as_dict
from trialog.reports.evidence_report import build_evidence_report, evidence_report_as_dict
from trialog.reports.fleet_report import build_fleet_report, fleet_report_as_dict
from trialog.reports.shift_report import build_shift_report, shift_report_as_dict
from trialog.reports.trial_report import build_trial_report, trial_report_as_dict

SHARED = {"cell": "Cell", "rates": "Rate", "failures": "Failure", "verdict": "Verdict",
          "spot_checks": "Spot checks", "interruptions": "Interruptions",
          "worst": "Worst", "stages": "Stage", "attention": "Attention",
          "cells": "Cell standing"}  # fmt: skip
"""Keys under which an object stands that has a section of its own."""


def documented():
    """Return the documented keys by section."""
    text = (Path(trialog.__file__).parent / "docs" / "reports.md").read_text(encoding="utf-8")
    sections = re.split(r"^### ", text, flags=re.MULTILINE)[1:]
    return {
        section.split("\n", 1)[0]: re.findall(r"^\| `([^`]+)` \|", section, flags=re.MULTILINE)
        for section in sections
    }


def keys(value, section, path=""):
    """Yield (section, key path) for everything in some data."""
    if isinstance(value, list):
        for item in value:
            yield from keys(item, section, f"{path}[]")
    elif isinstance(value, dict):
        for key, item in value.items():
            here = f"{path}.{key}" if path else key
            yield section, here
            if key in SHARED and isinstance(item, (dict, list)):
                for one in item if isinstance(item, list) else [item]:
                    yield from keys(one, SHARED[key])
            else:
                yield from keys(item, section, here)


@pytest.fixture
def data(shop, zone):
    """All reports of a trial that has been signed and has lapsed, and of its rich shift."""
    trial, people = shop.trial(kind=PlanKind.FIXED_SIZE), shop.people
    tray = shop.trial(shop.cell.tray, name="tray", min_cold_starts=3)
    trial.follows_id = shop.trial(name="before", stage=Stage.UNATTENDED).id
    shop.trial(name="after").follows_id = trial.id
    shop.session.commit()
    shop.shift("A", days=2, good=2000, counters=(0, 2000))
    acknowledge(
        shop.session, trial, AcknowledgementKind.CAUTIONS, "read", actor=people.engineer,
        now=shop.now,
    )  # fmt: skip
    note_verdicts(shop.session, trial.cell, now=shop.now)
    both = {"cautions_acknowledged": True, "now": shop.now}
    sign(shop.session, trial, people.approver, statement="seen", **both)
    taken_back = sign(shop.session, trial, people.engineer, statement="seen too", **both)
    revoke(shop.session, taken_back, people.engineer, reason="too early", now=shop.now)
    shop.session.commit()
    shop.write(revision(shop.cell.tray, resets=False, occurred_at=shop.now.replace(hour=1)))
    shop.rich_shift()
    shop.tablet_shift()
    at = {"now": shop.now, "zone": zone}
    shift = build_shift_report(shop.session, shop.shifts()["Early"], **at)
    tablets = build_shift_report(shop.session, shop.shifts()["T"], **at)
    return {
        "Shift": [shift_report_as_dict(report) for report in (shift, tablets)],
        "Trial": trial_report_as_dict(build_trial_report(shop.session, trial, **at)),
        "Verdict": verdict_as_dict(judge(shop.session, trial)),
        "Evidence": evidence_report_as_dict(build_evidence_report(shop.session, tray, **at)),
        "Cell readiness": cell_report_as_dict(build_cell_report(shop.session, trial.cell, **at)),
        "Fleet": fleet_report_as_dict(build_fleet_report(shop.session, **at)),
    }


@pytest.mark.database("sqlite")  # the keys do not depend on what keeps the records
def test_every_key_is_documented_and_every_documented_key_exists(data):
    data["Shift"], more = data["Shift"]
    real = {pair for section, value in data.items() for pair in keys(value, section)}
    real |= set(keys(more, "Shift"))
    told = {(section, key) for section, listed in documented().items() for key in listed}
    assert real == told


def test_no_key_is_documented_twice():
    for listed in documented().values():
        assert len(listed) == len(set(listed))
