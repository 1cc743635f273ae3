"""Reports as documents: one file of HTML each, which needs nothing else to be read or printed."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import plotly
from jinja2 import Environment, FileSystemLoader, StrictUndefined

from trialog.reports import words
from trialog.reports.evidence_report import EvidenceReport
from trialog.reports.photos import MOST_IN_DOCUMENT
from trialog.reports.shift_report import ShiftReport
from trialog.reports.trial_report import TrialReport

HERE = Path(__file__).parent
TEMPLATES = HERE / "templates"
ASSETS = HERE / "assets"


def shift_html(report: ShiftReport) -> str:
    """Make the document of a shift's report."""
    return _document("shift_document.html", report)


def trial_html(report: TrialReport) -> str:
    """Make the document of a trial's report, with its charts and what draws them."""
    return _document(
        "trial_document.html",
        report,
        scripts=(_chart_library(), asset("charts.js")),
    )


def evidence_html(report: EvidenceReport) -> str:
    """Make the document of a trial's evidence, with its chart where it has one."""
    scripts = (_chart_library(), asset("charts.js")) if report.chart else ()
    return _document("evidence_document.html", report, scripts=scripts)


def _document(
    name: str,
    report: ShiftReport | TrialReport | EvidenceReport,
    scripts: tuple[str, ...] = (),
) -> str:
    template = environment().get_template(f"reports/{name}")
    styles = (asset("report.css"), asset("document.css"))
    return template.render(
        report=report, styles=styles, scripts=scripts, w=words, most_photos=MOST_IN_DOCUMENT
    )


@cache
def asset(name: str) -> str:
    """Return the text of one of the reports' own style sheets or scripts."""
    return (ASSETS / name).read_text(encoding="utf-8")


@cache
def _chart_library() -> str:
    """Return the chart library; nothing in it may end the script element it is put into."""
    path = Path(plotly.__file__).parent / "package_data" / "plotly.min.js"
    return path.read_text(encoding="utf-8").replace("</script", "<\\/script")


@cache
def environment() -> Environment:
    """Return the template environment of documents: everything escaped, no name left empty."""
    return Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
