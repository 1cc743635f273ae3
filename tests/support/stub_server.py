"""The app with a tablet API in its place that does as a test says: lose, refuse, park, revoke."""

from __future__ import annotations

import hashlib
import json
import threading
import time
from datetime import UTC, datetime

KEY = "key-of-a-tablet"
CODE = "7K3M9QPT"
PEOPLE = {1: ("Ada Field", "2641"), 2: ("Ben Stone", "7777")}
HOLD = 60


def never(_line):
    return False


class StubServer:
    """A WSGI application: /api/tablet/… is answered here, everything else by the real app.

    `trouble` is what becomes of the API's requests: None, "down" (503), "lost" (taken, but no
    answer comes), "entries down" (only for lines), "silent" (nothing comes until `speak`), "portal"
    (somebody else's page).
    `refuse` and `park` say of a line whether its whole request is refused, or it is parked.
    """

    def __init__(self, app):
        self.app = app
        self.trouble = None
        self.key = KEY
        self.lines = {}  # client id → line, in the order of arrival
        self.batches = []
        self.photos = {}
        self.photo_status = None
        self.stamps = dict.fromkeys(PEOPLE, "stamp-1")
        self.wrong_tries = 0
        self.waits = None  # seconds that a name is locked for after a wrong PIN
        self.version = None
        self.ahead = 0.0
        self.refuse = never
        self.park = never
        self.spoken = threading.Event()
        self.asked = []

    @property
    def numbers(self):
        return [line["number"] for line in self.lines.values()]

    def speak(self):
        self.trouble = None
        self.spoken.set()

    def __call__(self, environ, start_response):
        path = environ["PATH_INFO"]
        if not path.startswith("/api/tablet/"):
            return self.app(environ, start_response)
        self.asked.append(f"{environ['REQUEST_METHOD']} {path}")
        if self.trouble == "entries down" and path.endswith("/entries"):
            start_response("503 .", [("Content-Type", "application/json")])
            return [b"{}"]
        if self.trouble == "silent":
            self.spoken.wait(HOLD)
        if self.trouble == "portal":
            start_response("200 OK", [("Content-Type", "text/html")])
            return [b"<h1>Sign in to the guest network</h1>"]
        status, body = (503, {}) if self.trouble == "down" else self._answer(environ, path)
        if self.trouble == "lost":
            status, body = 503, {}
        start_response(f"{status} .", [("Content-Type", "application/json")])
        return [json.dumps(body).encode()]

    def _answer(self, environ, path):
        length = int(environ.get("CONTENT_LENGTH") or 0)
        content = environ["wsgi.input"].read(length)
        if path == "/api/tablet/enrol":
            return self._enrol(json.loads(content))
        if environ.get("HTTP_AUTHORIZATION") != f"Bearer {self.key}":
            return 401, _error("the tablet is not known", "key")
        if path == "/api/tablet/pack":
            return 200, self._pack(environ["QUERY_STRING"])
        if path == "/api/tablet/sign-in":
            return self._sign_in(json.loads(content))
        if path.startswith("/api/tablet/photos/"):
            return self._photo(path.rpartition("/")[2], content)
        return self._entries(json.loads(content))

    def _now(self, later=0):
        return datetime.fromtimestamp(time.time() - self.ahead + later, UTC).isoformat()

    def _enrol(self, body):
        if body["code"] != CODE:
            return 422, _error("code must be one that an engineer made", "code")
        return 200, {
            "key": self.key, "tablet": {"id": 1, "name": "Line 1"}, "cell": 3, "now": self._now(),
        }  # fmt: skip

    def _pack(self, query):
        cell = int(query.partition("=")[2] or 3)
        return {
            "now": self._now(), "version": self.version or "", "zone": "UTC",
            "tablet": {"id": 1, "name": "Line 1", "clock_ahead_seconds": None},
            "cells": [{"id": 3, "name": "Cell 3"}, {"id": 4, "name": "Cell 4"}],
            "people": [self._person(number) for number in self.stamps],
            "cell": {
                "id": cell, "name": f"Cell {cell}", "machine": "", "part": "", "modulus": None,
                "cycle_seconds": 30, "devices": [
                    {"id": 1, "name": "Catcher", "modes": [
                        {"id": 1, "name": "part dropped", "effect": "stops the cell"},
                    ]},
                ],
                "stage": "by hand", "labels": [], "next_label": "2026-03-02 A",
                "last_counter": None, "state": self._state(), "parked": 0,
            },
        }  # fmt: skip

    def _state(self):
        goods = sum(line.get("cycles") or 0 for line in self.lines.values())
        return {
            "shift_id": 1, "label": "early A", "stage": "by hand", "open": True,
            "sequence": len(self.lines), "logged": goods, "failed": 0, "last_number": goods,
            "opening_counter": None, "expected_counter": None, "checked": 0, "recent": [],
        }  # fmt: skip

    def _person(self, number):
        return {
            "id": number, "name": PEOPLE[number][0], "role": "operator",
            "stamp": self.stamps[number],
        }  # fmt: skip

    def _sign_in(self, body):
        if body["pin"] != PEOPLE[body["person"]][1]:
            self.wrong_tries += 1
            waits = {} if self.waits is None else {"wait_until": self._now(self.waits)}
            return 403, _error("pin must be this person's", "pin") | waits
        return 200, {"person": self._person(body["person"]), "now": self._now()}

    def _photo(self, name, content):
        if self.photo_status is not None:
            return self.photo_status, _error("photo must be a JPEG", "photo")
        if hashlib.sha256(content).hexdigest() != name:
            return 422, _error("photo must have this hash", "photo")
        self.photos[name] = content
        return 200, {"sha256": name, "status": "stored"}

    def _entries(self, body):
        self.batches.append(body)
        if any(self.refuse(line) for line in body["entries"]):
            return 422, _error("entries must be lines", "entries")
        answers = [self._take(line) for line in body["entries"]]
        return 200, {"now": self._now(), "entries": answers, "state": self._state()}

    def _take(self, line):
        name = line["client_id"]
        repeated = name in self.lines
        parked = self.park(line)
        self.lines.setdefault(name, line)
        return {
            "client_id": name,
            "status": "parked" if parked else "repeated" if repeated else "added",
            "sequence": len(self.lines), "cycle_number": None,
            "reason": _error("shift must be open", "shift")["error"] if parked else None,
        }  # fmt: skip


def _error(message, field):
    return {"error": {"message": message, "field": field, "rule": None, "value": None}}
