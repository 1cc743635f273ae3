"""What a process counts of itself: requests, how long they took, and lines it refused."""

from __future__ import annotations

from prometheus_client import CollectorRegistry, Counter, Histogram, disable_created_metrics

from trialog.web.observing import Seen

BUCKETS = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 30.0)
"""Seconds. The finest tells a tablet's line from a page, the widest a PDF from a hang."""

# When a series began is of no use to anybody here, and is a series more for each.
disable_created_metrics()  # type: ignore[no-untyped-call]  # it has no types


class Counted:
    """The counters of an app. Routes are rules, so addresses that lead nowhere add no series."""

    def __init__(self, registry: CollectorRegistry | None) -> None:
        """Make the counters; without a registry they are kept in the files of all processes."""
        self._requests = Counter(
            "trialog_requests", "Requests answered, by route, method and class of status.",
            ("route", "method", "status"), registry=registry,
        )  # fmt: skip
        self._seconds = Histogram(
            "trialog_request_seconds", "Seconds from a request's arrival to its answer's end.",
            ("route", "method"), buckets=BUCKETS, registry=registry,
        )  # fmt: skip
        self._refused = Counter(
            "trialog_lines_refused", "Lines that were refused, each with an error to its sender.",
            registry=registry,
        )  # fmt: skip

    def note(self, seen: Seen) -> None:
        """Count a request that was answered."""
        self._requests.labels(seen.route, seen.method, f"{seen.status // 100}xx").inc()
        self._seconds.labels(seen.route, seen.method).observe(seen.seconds)

    def note_refused(self, lines: int) -> None:
        """Count lines that were refused."""
        self._refused.inc(lines)
