"""The trial's page and its downloads."""

import json
import re

from trialog.evidence import judge, verdict_as_dict
from trialog.evidence.effects import explained
from trialog.records.database import unit_of_work
from trialog.records.models import Tablet
from trialog.records.parking import park
from trialog.reports import words
from trialog.web.trials.views import ASSETS


def test_the_page_begins_with_the_sentence_and_shows_the_lines_of_the_verdict(on_trial, operator):
    on_trial.shift("A", good=500)
    page = operator.get(on_trial.url)
    assert page.status_code == 200
    sentence = "Proven so far: 15 min alone at 90 % chance. Required: 30 min. 375 more clean"
    assert words.together(sentence) in page.text
    for reason in judge(on_trial.session, on_trial.trial).reasons:
        assert reason.name in page.text
    assert "Cell &lt;by hand&gt;" in page.text
    assert "<by hand>" not in page.text


def test_an_empty_trial_has_a_page_too(on_trial, operator):
    assert "no cycle has been counted" in operator.get(on_trial.url).text


def test_an_unknown_trial_has_no_page(on_trial, operator):
    for path in ("", "/report.html", "/report.json", "/export.csv", "/rulings"):
        assert operator.get(f"/trials/999{path}").status_code == 404


def test_the_chart_travels_as_data_and_only_report_pages_allow_inline_styles(on_trial, operator):
    page = operator.get(on_trial.url)
    policy = page.headers["Content-Security-Policy"]
    assert "style-src 'self' 'unsafe-inline'" in policy
    assert "script-src" not in policy
    assert "default-src 'self'" in policy
    figure = re.search(r'<script type="application/json"[^>]*>(.*?)</script>', page.text)[1]
    names = [trace["name"] for trace in json.loads(figure)["data"]]
    assert names[:3] == ["GO", "NO-GO", "path"]
    assert (
        "unsafe" not in operator.get(f"{on_trial.url}/rulings").headers["Content-Security-Policy"]
    )


def test_shared_assets_may_be_kept_since_their_address_changes_with_them(on_trial, operator):
    page = operator.get(on_trial.url).text
    for name in ASSETS:
        address = re.search(rf'"(/assets/reports/{name}\?v=\w+)"', page)[1]
        answer = operator.get(address)
        assert answer.status_code == 200
        assert "immutable" in answer.headers["Cache-Control"]
    assert operator.get("/assets/reports/secret.py").status_code == 404


def test_the_report_is_downloaded_as_one_file(on_trial, operator):
    on_trial.shift("A", good=500)
    answer = operator.get(f"{on_trial.url}/report.html")
    assert answer.headers["Content-Disposition"].startswith("attachment;")
    assert words.together("Proven so far: 15 min") in answer.text


def test_the_data_hold_the_engines_verdict(on_trial, operator):
    on_trial.shift("A", good=500)
    answer = operator.get(f"{on_trial.url}/report.json")
    verdict = explained(judge(on_trial.session, on_trial.trial))
    assert answer.json["verdict"] == verdict_as_dict(verdict)


def test_what_a_person_may_not_do_is_not_offered(on_trial, operator, engineer, approver, admin):
    on_trial.reach_go()
    offered = {
        "import": operator, "sign": approver, "acknowledge": engineer, "administer": admin,
    }  # fmt: skip
    pages = {name: visitor.get(on_trial.url).text for name, visitor in offered.items()}
    assert f"{on_trial.url}/import" not in pages["import"]
    assert f"{on_trial.url}/sign" not in pages["import"]
    assert f"{on_trial.url}/sign" in pages["sign"]
    assert f"{on_trial.url}/import" not in pages["sign"]
    assert f"{on_trial.url}/acknowledge" in pages["acknowledge"]
    assert f"{on_trial.url}/sign" in pages["acknowledge"]
    # The requirement asks for an engineer and an approver.
    assert f"{on_trial.url}/sign" not in pages["administer"]
    assert f"{on_trial.url}/refuse" not in pages["administer"]


def test_signing_is_offered_for_a_go_only(on_trial, approver):
    on_trial.shift("A", good=5)
    page = approver.get(on_trial.url).text
    assert f"{on_trial.url}/sign" not in page
    assert f"{on_trial.url}/refuse" in page


def test_what_tablets_sent_and_the_logbook_did_not_take_stands_on_the_page(
    on_trial, engineer, operator, session
):
    with unit_of_work(session):
        tablet = Tablet(name="blue tablet", key_hash="nobody's", enrolled_at=on_trial.now)
        session.add(tablet)
        session.flush()
        park(
            session, on_trial.cell.cell, tablet, None, client_id="lost", line={"kind": "good"},
            why="it breaks a rule", now=on_trial.now,
        )  # fmt: skip
    said = "1 line from tablets was not taken into the logbook; see to it first."
    way = f'<a href="/cells/{on_trial.cell.id}/parked">See to parked lines</a>'
    ours, theirs = (visitor.get(on_trial.url).text for visitor in (engineer, operator))
    assert said in ours
    assert said in theirs
    assert way in ours
    assert way not in theirs
