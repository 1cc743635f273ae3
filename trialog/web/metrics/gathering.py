"""Gather an app's metrics: what its processes counted, and what the records say."""

from __future__ import annotations

import os
import platform
from collections.abc import Iterable
from typing import cast

from flask import current_app
from flask.sansio.app import App
from prometheus_client import CollectorRegistry, ProcessCollector, generate_latest
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.multiprocess import MultiProcessCollector
from prometheus_client.registry import Collector
from sqlalchemy.pool import QueuePool

from trialog import __version__
from trialog.feeds.mtconnect.standing import FeedsStanding, feeds_standing
from trialog.records.disk import embedded_file, room_for
from trialog.records.feeds import all_feeds
from trialog.records.pulse import Pulse, pulse
from trialog.web import observing
from trialog.web.clock import now
from trialog.web.database import NAME, State, get_session
from trialog.web.metrics.counting import Counted

SHARED_FOLDER = "PROMETHEUS_MULTIPROC_DIR"
"""The library's variable: the folder where several processes of a server keep their counts."""

_NAME = "trialog_metrics"

_COUNTERS = {
    "lines": ("trialog_logbook_lines", "Lines in all logbooks."),
    "parked": ("trialog_lines_parked", "Lines that were ever parked."),
}
_GAUGES = {
    "parked_waiting": ("trialog_lines_parked_waiting", "Parked lines nobody has seen to."),
    "open_shifts": ("trialog_shifts_open", "Shifts that are open."),
    "tablets": ("trialog_tablets", "Tablets that are enrolled."),
    "tablets_seen": ("trialog_tablets_seen", "Tablets that were here in the last 10 minutes."),
    "clients_seen": ("trialog_clients_seen", "Clients that were here in the last 10 minutes."),
    "reports_due": ("trialog_reports_due", "Reports that are to be made and kept by now."),
    "notices_waiting": ("trialog_notices_waiting", "Notices that are to be sent."),
    "notices_given_up": ("trialog_notices_given_up", "Notices that did not get through."),
}
"""Name and help of each number of the records, by its name there."""


class Metrics:
    """The metrics of an app, in a registry of its own."""

    def __init__(self, here: State) -> None:
        self._here = here
        self._registry = CollectorRegistry()
        folder = os.environ.get(SHARED_FOLDER)
        if folder:
            MultiProcessCollector(self._registry, folder)  # type: ignore[no-untyped-call]  # it has no types
        self.counted = Counted(None if folder else self._registry)
        ProcessCollector(registry=self._registry)
        self._registry.register(_OfTheServer(here))

    def text(self, counts: Pulse, feeds: FeedsStanding) -> bytes:
        """Return all metrics in the text format."""
        registry = CollectorRegistry()
        registry.register(_OfTheRecords(counts))
        registry.register(_OfTheFeeds(feeds))
        return generate_latest(self._registry) + generate_latest(registry)


class _OfTheServer(Collector):
    """What the answering process is, and how it stands with its database and disk."""

    def __init__(self, here: State) -> None:
        self._here = here

    def collect(self) -> Iterable[Metric]:
        engine = self._here.engine
        build = GaugeMetricFamily(
            "trialog_build_info", "1; which trialog this is.",
            labels=("version", "python", "database"),
        )  # fmt: skip
        build.add_metric((__version__, platform.python_version(), engine.dialect.name), 1)
        yield build
        if isinstance(engine.pool, QueuePool):
            pool = GaugeMetricFamily(
                "trialog_database_connections", "Connections of this process to the database.",
                labels=("state",),
            )  # fmt: skip
            pool.add_metric(("in use",), engine.pool.checkedout())
            pool.add_metric(("idle",), engine.pool.checkedin())
            yield pool
        if (file := embedded_file(engine.url)) is not None:
            about = "Free bytes on the disk of the embedded database."
            yield GaugeMetricFamily("trialog_disk_free_bytes", about, room_for(file).free)


class _OfTheRecords(Collector):
    """What the records count, the same whichever process answers."""

    def __init__(self, counts: Pulse) -> None:
        self._counts = counts

    def collect(self) -> Iterable[Metric]:
        for field, (name, about) in _COUNTERS.items():
            yield CounterMetricFamily(name, about, getattr(self._counts, field))
        for field, (name, about) in _GAUGES.items():
            yield GaugeMetricFamily(name, about, getattr(self._counts, field))


class _OfTheFeeds(Collector):
    """How the machines are heard, all of them together."""

    def __init__(self, feeds: FeedsStanding) -> None:
        self._feeds = feeds

    def collect(self) -> Iterable[Metric]:
        about = "Machines that are listened to, by how they are heard."
        feeds = GaugeMetricFamily("trialog_feeds", about, labels=("state",))
        for state, number in self._feeds.by_state.items():
            feeds.add_metric((str(state),), number)
        yield feeds
        about = "Seconds since the feed that was not heard for longest was; paused ones left out."
        seconds = self._feeds.longest_quiet.total_seconds()
        yield GaugeMetricFamily("trialog_feeds_quiet_seconds", about, seconds)


def init_app(app: App) -> None:
    """Count an app's requests from here on."""
    metrics = Metrics(cast(State, app.extensions[NAME]))
    app.extensions[_NAME] = metrics
    observing.watch(app, metrics.counted.note)


def metrics_text() -> bytes:
    """Return the metrics of this request's app as they stand now."""
    session, moment = get_session(), now()
    feeds = feeds_standing(all_feeds(session), moment)
    return _metrics().text(pulse(session, now=moment), feeds)


def note_refused(lines: int) -> None:
    """Count lines of this request that were refused."""
    _metrics().counted.note_refused(lines)


def _metrics() -> Metrics:
    return cast(Metrics, current_app.extensions[_NAME])
