"""The tablet page in a browser, driven below its board: by what `trialog` gives to scripts."""

from __future__ import annotations

from support.stub_server import CODE, PEOPLE
from support.waiting import until

WORKS_OFFLINE = """() => Boolean(navigator.serviceWorker.controller)
  && caches.keys().then((all) => all.length > 0)"""

ADD = """async ([count, fields]) => {
  const made = [];
  for (let at = 0; at < count; at += 1) made.push(await trialog.outbox.add(fields));
  return made;
}"""
STATE = """() => ({
  waiting: trialog.outbox.waiting.map((line) => line.number),
  trouble: trialog.outbox.trouble,
  parked: trialog.outbox.parked,
  notKept: trialog.outbox.notKept,
  person: trialog.tablet.person && trialog.tablet.person.id,
  key: trialog.tablet.key,
  sequence: trialog.tablet.cell && trialog.tablet.cell.state && trialog.tablet.cell.state.sequence,
  limits: [...trialog.limits],
})"""
READY = """() => window.trialog && trialog.store &&
  trialog.store.open().then(() => !window.indexedDB || trialog.store.get("born") !== undefined)"""
"""The page knows what the disk holds: "born" stands there. A busy computer's may answer late.

It is a promise, which `wait_for_function` would take for a yes.
"""


class CorePage:
    """A page of the tablet, and what a test does on it."""

    def __init__(self, page, url):
        self.page = page
        self.url = f"{url}/tablet/"

    def open(self):
        """Load the page and wait until it knows what the tablet keeps."""
        self.page.goto(self.url)
        return self.ready()

    def reload(self):
        self.page.reload()
        return self.ready()

    def ready(self):
        until(lambda: self.page.evaluate(READY))
        return self

    def enrol(self, code=CODE):
        """Become a tablet as somebody does who scans the engineer's code."""
        self.page.goto(f"{self.url}#enrol={code}")
        self.ready()
        self.page.wait_for_function("() => trialog.tablet.key && trialog.tablet.cell")
        return self

    def sign_in(self, person=1, pin=None):
        """Sign in, and return what the page is told."""
        return self.page.evaluate(
            "([id, pin]) => trialog.people.signIn(id, pin)", [person, pin or PEOPLE[person][1]]
        )

    def add(self, count=1, **fields):
        """Log lines, each after the one before is written down; return what came of them."""
        return self.page.evaluate(ADD, [count, {"kind": "good", "cycles": 1} | fields])

    def now(self):
        """Return how it stands on the page."""
        return self.page.evaluate(STATE)

    def people(self):
        return {one["id"]: one for one in self.page.evaluate("() => trialog.people.list()")}

    def wait_sent(self):
        """Wait until nothing waits and all is well."""
        self.page.wait_for_function(
            "() => trialog.outbox.waiting.length === 0 && trialog.outbox.trouble === null"
        )
        return self

    def wait_trouble(self, kind):
        self.page.wait_for_function(
            "(kind) => trialog.outbox.trouble && trialog.outbox.trouble.kind === kind", arg=kind
        )
        return self

    def wait_worker(self):
        """Wait until the page would open without a network."""
        until(lambda: self.page.evaluate(WORKS_OFFLINE))
        return self

    def nudge(self):
        self.page.evaluate("() => trialog.outbox.nudge()")
