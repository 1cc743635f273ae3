"""Metrics: read by a strict parser, counted right, bounded in number, and about nobody."""

from __future__ import annotations

import os
import subprocess
import sys
from datetime import UTC, datetime, timedelta

import pytest
from prometheus_client.parser import text_string_to_metric_families
from support.cells import log_shift, make_cell
from support.clients import Program, assert_problem
from support.enrolled import Enrolled
from support.tablets import Tablet, good

from trialog import __version__
from trialog.records.database import unit_of_work
from trialog.records.feeds import NewFeed, add_feed
from trialog.records.words import Scope

pytestmark = pytest.mark.database("sqlite")  # which database counts differs where it says so


@pytest.fixture
def program(app, session, people):
    return Program(app, session, people.admin, Scope.METRICS)


@pytest.fixture
def tablet(app, session, people, cell):
    return Enrolled(app, session, people.engineer, cell=cell.cell, name="lathe tablet")


def scrape(program):
    """Return every sample by name and labels, as a strict reader takes them."""
    answer = program.http.get("/metrics", headers={"Authorization": f"Bearer {program.token}"})
    assert answer.status_code == 200
    assert answer.content_type == "text/plain; version=0.0.4; charset=utf-8"
    samples, families = {}, set()
    for family in text_string_to_metric_families(answer.text):
        assert family.documentation, family.name
        assert family.type in ("counter", "gauge", "histogram"), family.name
        assert family.name not in families, f"{family.name} comes twice"
        families.add(family.name)
        for sample in family.samples:
            key = (sample.name, *sorted(sample.labels.items()))
            assert key not in samples, f"{key} comes twice"
            samples[key] = sample.value
    return samples


def of(samples, name, **labels):
    return samples[(name, *sorted(labels.items()))]


def test_only_a_token_with_the_scope_reads_them(app, session, people, program):
    assert_problem(app.test_client().get("/metrics"), 401, "No valid token")
    reader = Program(app, session, people.admin, Scope.READ, name="reader")
    headers = {"Authorization": f"Bearer {reader.token}"}
    assert_problem(reader.http.get("/metrics", headers=headers), 403, "Not allowed")
    assert scrape(program)


def test_requests_are_counted_by_route_method_and_class_of_status(program, operator, stranger):
    operator.get("/", buffered=True)
    operator.get("/people", buffered=True)
    stranger.get("/login", buffered=True)
    found = scrape(program)
    assert of(found, "trialog_requests_total", route="/", method="GET", status="2xx") == 1
    assert of(found, "trialog_requests_total", route="/people", method="GET", status="4xx") == 1
    where = {"route": "/login", "method": "GET"}
    assert of(found, "trialog_request_seconds_count", **where) == 1
    assert of(found, "trialog_request_seconds_bucket", **where, le="+Inf") == 1
    assert of(found, "trialog_request_seconds_sum", **where) > 0


def test_what_anybody_may_ask_for_does_not_make_series_without_end(program, stranger):
    stranger.get("/nothing/0", buffered=True)
    stranger.client.open("/login", method="M0", buffered=True)
    before = scrape(program)
    for number in range(1, 30):
        stranger.get(f"/nothing/{number}?x={number}", buffered=True)
        stranger.get(f"/photos/{number}", buffered=True)
        stranger.client.open("/login", method=f"M{number}", buffered=True)
    after = scrape(program)
    new = {dict(key[1:])["route"] for key in after.keys() - before.keys()}
    assert new == {"/photos/<sha256>"}
    lost = {"route": "(none)", "method": "GET", "status": "4xx"}
    assert of(after, "trialog_requests_total", **lost) == 30
    odd = {"route": "(none)", "method": "other", "status": "4xx"}
    assert of(after, "trialog_requests_total", **odd) == 30


def test_the_work_at_the_machines_is_counted(session, tablet, cell, program, operator):
    log_shift(session, cell, "early A", now=datetime.now(UTC), good=5, closed=False)
    tablet.send(tablet.tap("nonsense"), tablet.tap("good", cycles=-1))
    Tablet(operator, cell).refused(422, good(cycles=-1))
    found = scrape(program)
    assert of(found, "trialog_logbook_lines_total") == 2
    assert of(found, "trialog_lines_parked_total") == 2
    assert of(found, "trialog_lines_parked_waiting") == 2
    assert of(found, "trialog_lines_refused_total") == 1
    assert of(found, "trialog_shifts_open") == 1
    assert (of(found, "trialog_tablets"), of(found, "trialog_tablets_seen")) == (1, 1)
    assert of(found, "trialog_reports_due") == 0
    assert (of(found, "trialog_notices_waiting"), of(found, "trialog_notices_given_up")) == (0, 0)


@pytest.mark.database("sqlite", "postgresql")
def test_the_feeds_are_counted_by_state_and_the_quietest_says_how_long(program, session):
    def states():
        found = scrape(program)
        told = {key[1][1]: value for key, value in found.items() if key[0] == "trialog_feeds"}
        return told, of(found, "trialog_feeds_quiet_seconds")

    none = {"listening": 0, "not heard": 0, "nobody follows it": 0, "paused": 0}
    assert states() == (none, 0)
    now = datetime.now(UTC)
    held = {"holder": "one", "held_until": now + timedelta(minutes=9)}
    with unit_of_work(session):
        for name, heard, fields in (
            ("heard", now, held),
            ("quiet", now - timedelta(hours=1), held),
            ("never", None, {}),
            ("paused", now - timedelta(days=9), {"enabled": False}),
        ):
            new = NewFeed(url="http://127.0.0.1:5000", count_item="pc")
            feed = add_feed(session, make_cell(session, now, name).cell, new, actor=None, now=now)
            for field, value in (fields | {"heard_at": heard}).items():
                setattr(feed, field, value)
    told, quiet = states()
    assert told == dict.fromkeys(none, 1)
    assert 3600 <= quiet < 3700


@pytest.mark.database("sqlite", "postgresql")
def test_the_server_says_what_it_is_and_how_its_database_stands(program, database_kind):
    found = scrape(program)
    python = ".".join(str(number) for number in sys.version_info[:3])
    about = {"version": __version__, "python": python, "database": database_kind}
    assert of(found, "trialog_build_info", **about) == 1
    assert of(found, "trialog_database_connections", state="in use") >= 1
    assert of(found, "trialog_database_connections", state="idle") >= 0
    assert (("trialog_disk_free_bytes",) in found) == (database_kind == "sqlite")
    assert of(found, "process_resident_memory_bytes") > 0


def test_nobody_and_nothing_is_named(people, tablet, cell, program, operator):
    tablet.sign_in(people.operator.id, people.pin(people.operator))
    operator.get(f"/cells/{cell.id}", buffered=True)
    words = " ".join(f"{name} {value}" for key in scrape(program) for name, value in key[1:])
    for name in (people.operator.name, cell.cell.name, "lathe", "relay", program.token):
        assert name not in words


COUNT_SOME = """
import sys
from trialog.web import create_app
app = create_app({"DATABASE_URL": sys.argv[1], "SECRET_KEY": "k"})
for _ in range(int(sys.argv[2])):
    app.test_client().get("/health/live", buffered=True)
if len(sys.argv) > 3:
    bearer = {"Authorization": f"Bearer {sys.argv[3]}"}
    print(app.test_client().get("/metrics", headers=bearer).text)
"""


def test_several_processes_of_a_server_are_added_up(database, program, tmp_path):
    shared = tmp_path / "shared"
    shared.mkdir()
    environment = os.environ | {"PROMETHEUS_MULTIPROC_DIR": str(shared)}

    def count(*words):
        return subprocess.run(
            [sys.executable, "-c", COUNT_SOME, database, *words],
            env=environment, check=True, capture_output=True, text=True,
        ).stdout  # fmt: skip

    count("3")
    text = count("4", program.token)
    line = 'trialog_requests_total{method="GET",route="/health/live",status="2xx"} 7.0'
    assert line in text.splitlines()
    assert list(text_string_to_metric_families(text))
